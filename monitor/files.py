"""The one way in which monitor reads and writes files: plain and of a fitting size; whole or not at all."""

from vision.files import replace_file, write_bytes_whole, write_text_whole
from vision.loading import read_bytes, read_json, read_table, read_text, read_toml, toml_of

__all__ = ["read_bytes", "read_json", "read_table", "read_text", "read_toml", "replace_file", "toml_of",
           "write_bytes_whole", "write_text_whole"]
