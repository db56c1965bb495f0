"""Plants faults at random places outside the windows, one at a time, and runs the tests that belong to the file.

General tools for this change every place of a module and run one command for all; here the tests are those that run the
faulty line. Of compiled functions these are known with nothing compiled, and run so; a fault that they do not notice is
compiled, with all that uses it, and tried with the tests that import the file. Prints each fault, whether it was
noticed, and by what.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import itertools
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from tests.mutants.belonging import Imports, is_in_compiled, reaches_compiled
from tests.mutants.covering import Covering
from tests.mutants.faults import Fault, faults_of
from tests.mutants.trial import Outcome, Shadow

ROOT = Path(__file__).resolve().parents[2]
MOST_FILES, MOST_TESTS = 16, 400  # nearest first, until the budget is spent


def main() -> int:
    """Run; 0 when at least `--at-least` percent were noticed."""
    args = _arguments()
    places, imports, began_s = _places(args), Imports(ROOT), time.monotonic()
    survived, n = [], 0
    with contextlib.nullcontext(args.keep) if args.keep else tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        kept = Path(folder).resolve()
        covering, plain = Covering(ROOT, kept / "lines"), Covering(ROOT, kept / "plain_lines", is_plain=True)
        shadow = Shadow(ROOT, kept)
        shadow.warm()
        for path, fault in _chosen(args, places):
            source = (shadow.tree / path).read_text(encoding="utf-8")
            outcome = _tried_plain(shadow, _running(imports, plain, path, fault), path, fault, source)
            if not outcome.failed:
                outcome = _tried_compiled(shadow, _tests(imports, covering, path, fault), imports, path, fault, source)
            n += 1
            survived += [_told(path, fault, source)] * (not outcome.failed)
            print(f"{'killed' if outcome.failed else 'SURVIVED':9s} {_told(path, fault, source)}\n"
                  f"          {(time.monotonic() - began_s) / 60:.1f} min, {outcome.cpu_s:.0f} s of processor: "
                  f"{outcome.failed or outcome.told}", flush=True)
        shadow.close()
    print(f"\n{n - len(survived)} of {n} killed ({100 * (n - len(survived)) / max(n, 1):.0f} %); survived:")
    print("\n".join(f"  {line}" for line in survived))
    return int(100 * (n - len(survived)) < args.at_least * n)


def _chosen(args: argparse.Namespace, places: list[tuple[Path, Fault]]) -> list[tuple[Path, Fault]]:
    """Places drawn with each seed, so that a change of one line moves no other place; those that do not compile are
    passed over.
    """
    found = []
    for seed in args.seed:
        drawn = _shuffled(places, seed)
        whole = ((path, fault) for path, fault in drawn if _compiles(path, fault))
        found += list(itertools.islice(whole, args.first - 1, args.count))
    print(f"{len(places)} places for faults; {len(found)} chosen with seeds {args.seed}", flush=True)
    return found


def _shuffled(places: list[tuple[Path, Fault]], seed: int) -> list[tuple[Path, Fault]]:
    """In the order of a hash of the seed and of what stands at each place; like lines of a file are counted."""
    lines = {path: (ROOT / path).read_text(encoding="utf-8").splitlines() for path, _ in places}
    seen: Counter[tuple[str, ...]] = Counter()
    keyed = []
    for path, fault in places:
        what = path.as_posix(), lines[path][fault.line - 1].strip(), fault.kind, fault.text
        seen[what] += 1
        key = hashlib.sha256(repr((seed, what, seen[what])).encode()).digest()
        keyed.append((key, path, fault))
    return [(path, fault) for _, path, fault in sorted(keyed, key=lambda item: item[0])]


def _compiles(path: Path, fault: Fault) -> bool:
    try:
        fault.planted((ROOT / path).read_text(encoding="utf-8"))
    except SyntaxError:
        return False
    return True


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="tests.mutants", description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, nargs="+", default=[1])
    parser.add_argument("--count", type=int, default=60, help="faults for each seed (default: 60)")
    parser.add_argument("--first", type=int, default=1, metavar="N",
                        help="leave out those before the Nth of each seed, as when a run goes on (default: 1)")
    parser.add_argument("--keep", metavar="FOLDER",
                        help="where the copy and its compiled code lie, kept for the next run (default: a new one)")
    parser.add_argument("--only", default="", metavar="TEXT", help="files whose path contains this")
    parser.add_argument("--line", type=int, metavar="N",
                        help="faults of this line only, all of them when --count allows")
    parser.add_argument("--at-least", type=float, default=85.0, metavar="PERCENT",
                        help="fewer killed is exit code 1 (default: 85)")
    return parser.parse_args()


def _places(args: argparse.Namespace) -> list[tuple[Path, Fault]]:
    files = [p.relative_to(ROOT) for top in ("vision", "monitor") for p in sorted((ROOT / top).rglob("*.py"))]
    files = [p for p in files if p.parts[:2] != ("monitor", "ui") and args.only in p.as_posix()]
    places = [(p, fault) for p in files for fault in faults_of((ROOT / p).read_text(encoding="utf-8"))]
    return [(p, fault) for p, fault in places if args.line is None or fault.line == args.line]


def _running(imports: Imports, covering: Covering, path: Path, fault: Fault) -> list[str]:
    """Tests that run the faulty line, nearest first."""
    rank = {test.as_posix(): k for k, (_, test) in enumerate(imports.tests(path))}
    return sorted(covering.tests(path, fault.line),
                  key=lambda test: rank.get(test.partition("::")[0], len(rank)))[:MOST_TESTS]


def _tests(imports: Imports, covering: Covering, path: Path, fault: Fault) -> list[str]:
    """Those that run the faulty line, or else those that import its file; nearest first."""
    return _running(imports, covering, path, fault) or [p.as_posix() for _, p in imports.tests(path)][:MOST_FILES]


def _tried_plain(shadow: Shadow, tests: list[str], path: Path, fault: Fault, source: str) -> Outcome:
    """What these tests say of a fault in a compiled function, nothing being compiled; nothing of another fault."""
    if not is_in_compiled(source, fault.line):
        return Outcome("", "", 0.0)
    while tests:
        outcome = shadow.plain_trial(path, fault.planted(source), tests)
        if "::" not in outcome.failed or not shadow.fails_anyway(outcome.failed, is_plain=True):
            return outcome
        tests = [test for test in tests if test not in (outcome.failed, outcome.failed.partition("::")[0])]
    return Outcome("", "", 0.0)


def _tried_compiled(shadow: Shadow, tests: list[str], imports: Imports, path: Path, fault: Fault,
                    source: str) -> Outcome:
    """What these tests say; a test that fails without the fault too is left out and the rest asked again."""
    if not tests:
        return Outcome("", "no test uses this file", 0.0)
    users = {p.stem for p in imports.users(path)} if reaches_compiled(source, fault.line) else {path.stem}
    left_out: list[str] = []
    while True:
        outcome = shadow.trial(path, fault.planted(source), users, tests, left_out)
        if "::" not in outcome.failed or not shadow.fails_anyway(outcome.failed):
            return outcome
        print(f"          (fails without a fault: {outcome.failed})", flush=True)
        left_out.append(outcome.failed)


def _told(path: Path, fault: Fault, source: str) -> str:
    line = source.splitlines()[fault.line - 1].strip()
    return f"{path}:{fault.line}: {fault.kind}: {source[fault.start:fault.end]!r} -> {fault.text!r} in: {line[:110]}"


if __name__ == "__main__":
    sys.exit(main())
