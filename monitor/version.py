"""Which version of the program this is."""

from __future__ import annotations

from importlib import metadata

__all__ = ["code_version"]


def code_version() -> str:
    """Version of the installed distribution, "unknown" when run from an uninstalled checkout."""
    try:
        return metadata.version("plumeline")
    except metadata.PackageNotFoundError:
        return "unknown"
