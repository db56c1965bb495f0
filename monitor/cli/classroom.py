"""The work behind class: every operator code on one page."""

from __future__ import annotations

import argparse
import csv
import io
from pathlib import Path

from monitor.cli.output import progress_bar, say
from monitor.errors import InputError
from monitor.files import write_text_whole
from monitor.recording.export import safe_cell
from monitor.repeat.class_page import class_html
from monitor.repeat.classroom import COLUMNS, as_rows, class_of
from monitor.repeat.library import Library

__all__ = ["run_class"]

NAME = "class"


def run_class(args: argparse.Namespace) -> int:
    """plumeline class"""
    with Library(args.root, args.cache) as library:
        if not args.no_refresh:
            with progress_bar("indexing") as progress:
                library.refresh(progress)
        trainees = class_of(library, args.job)
    if not trainees:
        raise InputError(f"{args.root}: no pass with an operator "
                         f"code{f' at a job called {args.job!r}' if args.job else ''}; "
                         "codes are told with --operator when measuring")
    title = args.title or f"Class of {Path(args.root).resolve().name}"
    out = Path(args.out) if args.out else Path(args.root)
    table = io.StringIO()
    writer = csv.writer(table, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows([safe_cell(v) for v in row] for row in as_rows(trainees))
    write_text_whole(out / f"{NAME}.csv", table.getvalue())
    write_text_whole(out / f"{NAME}.html", class_html(trainees, title))
    from monitor.ui.class_print import write_class_pdf

    write_class_pdf(lambda size_pt: class_html(trainees, title, printed=True, size_pt=size_pt), title,
                    out / f"{NAME}.pdf")
    for t in trainees:
        say(f"{t.operator}: {t.n_passes} passes, {t.n_probes} probes; {t.progress}; practise: {t.practise} "
            f"({t.because})")
    for ending in ("html", "pdf", "csv"):
        say(str(out / f"{NAME}.{ending}"))
    return 0
