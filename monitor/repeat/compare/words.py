"""What a comparison found, in sentences: each odd pass with its reason, each change over the passes with its size."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.job import Job
from monitor.repeat.compare.changes import Change
from monitor.repeat.compare.odd import FEWEST, Oddity
from monitor.repeat.compare.passes import MEASURES, Pass

__all__ = ["CAN_BE_CHANCE", "MOST_NAMED", "change_sentence", "odd_mark", "odd_sentence", "perhaps_sentence"]

MOST_NAMED = 5
CAN_BE_CHANCE = " (can be chance)"


def odd_sentence(passes: Sequence[Pass], found: Sequence[Oddity], job: Job, n_judged: int | None = None) -> str:
    """One sentence that names every odd pass and its reason."""
    n = len(passes) if n_judged is None else n_judged
    if n < FEWEST:
        return f"{n} pass{'' if n == 1 else 'es'}: too few to tell which is odd (needs {FEWEST})."
    by_pass = _by_pass(found)
    if not by_pass:
        return f"None of the {n} passes stands out."
    stand = "stands" if len(by_pass) == 1 else "stand"
    text = f"{len(by_pass)} of {n} passes {stand} out: {_named(passes, by_pass, job)}"
    more = len(by_pass) - MOST_NAMED
    return text + (f"; and {more} more, marked below." if more > 0 else ".")


def perhaps_sentence(passes: Sequence[Pass], found: Sequence[Oddity], job: Job) -> str:
    """What differs in few passes but can be chance, to be put behind the other sentence; empty when nothing."""
    by_pass = _by_pass(found)
    return f" In so few passes it can be chance that {_named(passes, by_pass, job)}." if by_pass else ""


def odd_mark(found: Sequence[Oddity], index: int, ending: str = "") -> str:
    """What one pass is, in words for a table: "short: 2.2 s, others 3.0 s"; empty when it is not odd."""
    some = _by_pass(found).get(index, [])
    return "; ".join(f"{o.word}: {MEASURES[o.key].show(o.value)}, others {MEASURES[o.key].show(o.others)}{ending}"
                     for o in some)


def change_sentence(passes: Sequence[Pass], changes: Sequence[Change]) -> str:
    """One sentence of what changes from pass to pass; empty when nothing."""
    parts = []
    for c in changes:
        m = MEASURES[c.key]
        size = m.show(abs(c.after - c.before))
        way = "rises" if c.after > c.before else "falls"
        where = f"from {m.show(c.before, False)} to {m.show(c.after)}"
        parts.append(f"{m.short} {way} by {size} over the passes, {where}: it drifts" if c.is_trend else
                     f"{m.short} {way} by {size} at about {passes[c.at].label}, {where}: it has shifted")
    return f"Over time, {'; '.join(parts)}." if parts else ""


def _by_pass(found: Sequence[Oddity]) -> dict[int, list[Oddity]]:
    """Odd passes with their reasons, the oddest first; heat is left out where a cause of it is told."""
    out: dict[int, list[Oddity]] = {}
    for o in sorted(found, key=lambda o: -o.score):
        out.setdefault(o.index, []).append(o)
    return {i: [o for o in some if not MEASURES[o.key].estimated or all(MEASURES[p.key].estimated for p in some)]
            for i, some in out.items()}


def _named(passes: Sequence[Pass], by_pass: dict[int, list[Oddity]], job: Job) -> str:
    """The first passes, each with what it was and why."""
    return "; ".join(f"{_name(passes, i)} was {_listed([o.word for o in some])} "
                     f"({'; '.join(_why(o, job, passes[i]) for o in some)})"
                     for i, some in list(by_pass.items())[:MOST_NAMED])


def _name(passes: Sequence[Pass], index: int) -> str:
    if len({p.folder for p in passes}) == 1:
        return f"pass {passes[index].number}"
    return f"pass {passes[index].label}"


def _why(o: Oddity, job: Job, odd: Pass) -> str:
    measure = MEASURES[o.key]
    value, others = measure.show(o.value, unit=False), measure.show(o.others)
    if o.key == "height_mean_mm":
        low, high = job.limits.height_mm
        text = f"held at {value} mm, the others at {others}"
        past = [f"{s:.1f} s {word} {limit:g} mm" for s, word, limit in (
            (odd.below_s, "below the lowest allowed", low), (odd.above_s, "above the highest allowed", high))
            if s >= 0.1]
        return f"{text}; {', '.join(past)}" if past else text
    verb = {"height_sd_mm": "its height wandered by {} mm (SD), theirs by {}",
            "dwell_s": "{} s over the target, the others {}",
            "coverage": "swept {} % of the target, the others {}",
            "tilt_mean_deg": "tilted by {} degrees, the others by {}",
            "height_drift_mm": "its height changed by {} mm from entry to leaving, theirs by {}",
            "energy_even_j": "from an equal start about {} J would have gone in, for the others {} (estimates)"}[o.key]
    return verb.format(value, others)


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
