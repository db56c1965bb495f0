"""The arguments of compare."""

from __future__ import annotations

import argparse

__all__ = ["add_arguments", "rules"]

MOST_RULE = 4


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Lay them out; imports nothing heavy, since every command's parser is built at every start."""
    parser.add_argument("recordings", nargs="*", metavar="DIR",
                        help="recordings in order, or folders that hold recordings (taken by name)")
    parser.add_argument("--by-time", action="store_true", help="order them by when they were recorded")
    parser.add_argument("--any-job", action="store_true", help="compare although target, limits or nozzle differ")
    parser.add_argument("--patterns", type=rules, default=(), metavar="1,2,..", dest="rules",
                        help="show these patterns too: 1: a point beyond 3 sigma; 2: two of three beyond 2 sigma; 3: "
                             "four of "
                             "five beyond 1 sigma; 4: eight on one side. They come by chance as often as is printed, "
                             "and count "
                             "for nothing")
    parser.add_argument("--batch", type=_size, default=0, metavar="N",
                        help="also chart means and spreads of every N passes, as for like pads of one board")
    parser.add_argument("--reference", metavar="PASS", help="hold the others against this pass, such as first/2 or 5")
    parser.add_argument("--gauge", metavar="SHEET",
                        help="CSV of readings at known heights (height_mm, setup, reading_mm or recording): alone, the "
                             "gauge "
                             "study of the camera; with recordings, the camera's share in their figures")
    parser.add_argument("--limits-width", type=float, metavar="MM",
                        help="with --gauge alone: width of the job's height limits")
    parser.add_argument("--baseline", metavar="FILE",
                        help="record of passes left out and of new beginnings; is kept to and, "
                        "with the next three or in the window, added to")
    parser.add_argument("--leave-out", metavar="PASS", help="leave this pass out from now on; with --why and --by")
    parser.add_argument("--begin-anew", metavar="PASS",
                        help="a deliberate change: only this pass and those after it count from "
                        "now on; with --why and --by")
    parser.add_argument("--take-back", metavar="PASS",
                        help="what was decided on this pass holds no longer; with --why and --by")
    parser.add_argument("--why", default="", metavar="TEXT", help="the reason, for the record")
    parser.add_argument("--by", default="", metavar="CODE", help="who decides, for the record")
    parser.add_argument("--out", metavar="DIR", help="write passes.csv, comparison.json and charts (SVG) there")
    parser.add_argument("--window", action="store_true", help="show it in a window")
    parser.add_argument("--json", action="store_true", help="print everything as JSON")


def rules(text: str) -> tuple[int, ...]:
    """"1,2,4" as rules.

    Raises
    ------
    argparse.ArgumentTypeError
        When it is something else.
    """
    parts = text.replace(" ", "").split(",")
    chosen = tuple(sorted({int(part) for part in parts if part.isdigit()}))
    if not all(part.isdigit() for part in parts) or chosen[0] < 1 or chosen[-1] > MOST_RULE:
        raise argparse.ArgumentTypeError(f"{text}: expected some of 1 to {MOST_RULE} with commas between, such as 1,2")
    return chosen


def _size(text: str) -> int:
    if not text.isdigit() or not (int(text) == 0 or 2 <= int(text) <= 25):
        raise argparse.ArgumentTypeError(f"{text}: expected 2 to 25 passes a sample, or 0 for none")
    return int(text)
