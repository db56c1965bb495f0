"""The work behind `plumeline doctor`, `paths` and `bug-report`."""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from dataclasses import asdict
from pathlib import Path

from monitor.cli.output import say
from monitor.errors import InputError
from monitor.health.bug_report import gather
from monitor.health.finding import Finding, State, as_lines
from monitor.health.machine import camera_findings, machine_findings
from monitor.places import heat_folder, log_file, recordings_folder, sample_folder

__all__ = ["run_bug_report", "run_doctor", "run_paths"]

SCREEN_S = 60.0


def run_doctor(args: argparse.Namespace) -> int:
    """Look at everything; 4 when something that is needed does not work."""
    findings = _findings(with_cameras=not args.no_cameras)
    if args.json:
        say(json.dumps([{**asdict(f), "state": f.state.value} for f in findings], indent=1))
    else:
        for line in as_lines(findings):
            say(line)
    return 4 if any(f.state is State.FAULT for f in findings) else 0


def run_paths(args: argparse.Namespace) -> int:
    """Print where things are kept; with a name that place alone, for use in other commands."""
    places = {"recordings": recordings_folder(), "heat": heat_folder(), "log": log_file(), "sample": sample_folder()}
    if args.name:
        if places[args.name] is None:
            raise InputError(f"{args.name}: not there; install plumeline again")
        say(str(places[args.name]))
        return 0
    for name, place in places.items():
        say(f"{name:10s}  {place or 'not there'}")
    return 0


def run_bug_report(args: argparse.Namespace) -> int:
    """Write the ZIP file and say what is in it, so that its sender can look first."""
    out = Path(args.out)
    if out.exists():
        raise InputError(f"{out}: is there already; name another file with --out")
    names = gather(_findings(with_cameras=not args.no_cameras), out, Path(args.recording) if args.recording else None)
    say(f"{out}: {', '.join(names)}")
    say("no picture, video, comment or operator code is in it; look at it before you send it")
    return 0


def _findings(*, with_cameras: bool) -> list[Finding]:
    return machine_findings() + _screen_findings() + (camera_findings() if with_cameras else [])


def _screen_findings() -> list[Finding]:
    """Looked at by a process of its own: where a library is missing, Qt ends the process."""
    try:
        done = subprocess.run([sys.executable, "-m", "monitor.ui.screen_check"], capture_output=True, text=True,
                              timeout=SCREEN_S, check=False)
        return [Finding(**{**found, "state": State(found["state"])}) for found in json.loads(done.stdout)]
    except subprocess.TimeoutExpired:
        return [Finding("screen", State.FAULT, f"Qt did not start within {SCREEN_S:.0f} s",
                        "look at the desktop session")]
    except ValueError:
        last = (done.stderr.strip().splitlines() or [f"exit code {done.returncode}"])[-1]
        return [Finding("screen", State.FAULT, f"Qt cannot start: {last}",
                        "install the library that it names; on Debian `.ci/setup` lists them")]
