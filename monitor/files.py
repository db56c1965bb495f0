"""The one way in which monitor writes files: whole or not at all."""

from vision.files import write_bytes_whole, write_text_whole

__all__ = ["write_text_whole", "write_bytes_whole"]
