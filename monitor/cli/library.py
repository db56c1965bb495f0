"""The work behind library: one recording among many."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from monitor.cli.output import progress_bar, say
from monitor.repeat.library import CACHE, Entry, Library, Query, remove_index

__all__ = ["run_library"]


def run_library(args: argparse.Namespace) -> int:
    """plumeline library"""
    query = Query(args.job or "", args.operator or "", args.since or "", args.until or "",
                  args.warning or "", args.faulty)
    if args.rebuild:
        remove_index(Path(args.cache) if args.cache else Path(args.root) / CACHE)
    with Library(args.root, args.cache) as library:
        if not args.no_refresh:
            with progress_bar("indexing") as progress:
                library.refresh(progress)
        found = library.search(query, args.limit)
    if args.json:
        say(json.dumps([entry._asdict() for entry in found], indent=1))
        return 0
    for entry in found:
        say(_line(entry))
    say(f"{len(found)} recording{'' if len(found) == 1 else 's'} in {args.root}")
    return 0


def _line(e: Entry) -> str:
    if e.fault:
        return f"{e.path}: cannot be read: {e.fault}"
    warned = ", ".join(f"{kind} x{count}" for kind, count in sorted(e.warnings.items())) or "no warnings"
    kind = f" {e.kind}" if e.kind else ""
    by_file = " by the file's time" if e.recorded_from == "file" else ""
    height = "height unknown" if e.height_mm is None else f"{e.height_mm:.1f} mm"
    passes = f"{e.n_passes} pass{'' if e.n_passes == 1 else 'es'}"
    return (f"{e.path}: {(e.started_utc or 'time unknown')[:16].replace('T', ' ')}  {e.operator or '-'}{kind}{by_file} "
            f" "
            f"{e.title or e.target}  {passes}, {height}; {warned}")
