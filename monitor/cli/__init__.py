"""The command line: arguments, exit codes, the work behind each command."""

from monitor.cli.main import main

__all__ = ["main"]
