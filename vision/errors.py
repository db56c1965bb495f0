"""What can be wrong with a file or a geometry that the vision package is given."""

__all__ = ["VisionError", "SourceError", "CalibrationError", "GeometryError"]


class VisionError(Exception):
    """Base of all faults of input to vision; its text is one line for the user."""


class SourceError(VisionError):
    """A recording or photograph that cannot be read as one."""


class CalibrationError(VisionError):
    """A calibration that cannot be made, read, or used with this picture."""


class GeometryError(VisionError):
    """A geometric question that has no answer for the given values."""
