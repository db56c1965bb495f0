"""Faults that end a command with one clear line, and the exit code each one carries."""

__all__ = ["MonitorError", "InputError", "JobError", "EnvironmentFault"]


class MonitorError(Exception):
    """Base of all faults that a user can act on; its text is one line."""

    exit_code = 3


class InputError(MonitorError):
    """A file that cannot be used: says which, where in it, and what to do."""


class JobError(InputError):
    """A job file with faults; lists every one with its key."""


class EnvironmentFault(MonitorError):
    """The machine cannot do it: disk, permission, camera, missing library."""

    exit_code = 4
