"""What the hot-work screen says, as words and figures: the choice of the one large state, limits, and the summary.

No widgets: every sentence can be tested without a screen. `tr` marks what a translator sees.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from PyQt6.QtCore import QCoreApplication

from monitor.engine.engine import Shown
from monitor.engine.session import PassTold
from monitor.heat.melt import LAW
from monitor.heat.outlook import LOOK_AHEAD_S
from monitor.heat.types import Band, HeatReading, JointState
from monitor.job import Job
from monitor.judging.alerts import EQUIPMENT, STALE_S, Priority, TechniqueWarning
from monitor.judging.pipeline import FrameResult, ToolState
from monitor.review.verdict import WARNING_WORDS as WORDS
from monitor.ui.theme import Standing
from vision.types import TrackStatus

__all__ = ["ARROWS", "Row", "Summary", "Told", "big_state", "counted", "getting_ready", "height_words", "is_aim_known",
           "joint_words", "limit_counter", "limit_rows", "melt_counter", "next_limit", "summarise", "tr",
           "warning_words"]

Z90 = 1.645
MOLTEN_SHOWN_S = 5.0  # for which a seen melt is the large state
SHARPEST_SHARE = 0.25  # a forecast whose band begins before this share of its middle is only told by its beginning
MOST_POINTS = 600  # of a drawn trace: more than the panel has columns, and 10 000 take Qt a tenth of a second
ARROWS = {"too_far": "down", "too_close": "up"}


def tr(text: str) -> str:
    """The text in the user's language."""
    return QCoreApplication.translate("bench", text)


def counted(n: int, one: str, many: str) -> str:
    """The text for one thing or for several, in the user's language, with the number put in."""
    return tr(one if n == 1 else many).format(n)


@dataclass(frozen=True)
class Told:
    """One large state: how things stand, the word, and the reason in words.

    arrow is "up", "down" or "": the way the hand should go.
    """

    standing: Standing
    word: str
    reason: str
    arrow: str = ""


@dataclass(frozen=True)
class Row:
    """An estimated temperature beside its limit, as text."""

    name: str
    value: str
    limit: str
    standing: Standing


@dataclass(frozen=True)
class Summary:
    """A pass in one verdict, at most three numbers, and one trace of height over time.

    trace: times from the pass's start [s] and heights [mm], nan where not measured.
    """

    standing: Standing
    verdict: str
    numbers: tuple[tuple[str, str], ...]
    trace: tuple[np.ndarray, np.ndarray]
    limits_mm: tuple[float, float]
    band_mm: tuple[float, float]
    note: str = ""


def getting_ready() -> Told:
    """Before anything was judged."""
    return Told(Standing.UNKNOWN, tr("Getting ready"), tr("the first picture and the first look take a moment"))


def big_state(shown: Shown, is_running: bool = False) -> Told:
    """The one thing that matters now; warnings come first, the most urgent of them alone."""
    if shown.trouble and shown.arrival is None:
        return Told(Standing.UNKNOWN, tr("No picture"), shown.trouble)
    if shown.moment is None and is_running:
        return getting_ready()
    if shown.moment is None:
        return Told(Standing.IDLE, tr("Not recording"), tr("press Space to begin"))
    result, alarm = shown.moment.result, shown.moment.alarm
    if alarm.is_flood:
        names = ", ".join(dict.fromkeys(tr(w.action) for w in alarm.shown[:4]))
        return Told(Standing.ACT, tr("Stop and look"),
                    tr("many warnings at once: {}").format(names or tr("they just ended")))
    if result.state is ToolState.NOT_SEEN and result.vision.track.status is TrackStatus.VAGUE:
        return Told(Standing.UNKNOWN, tr("Seen in part"), result.exposure.reason)
    if result.state is ToolState.NOT_SEEN:
        return Told(Standing.UNKNOWN, tr("Not seen"), result.exposure.reason or tr("the nozzle is hidden"))
    if result.state is ToolState.NO_MAT:
        return Told(Standing.UNKNOWN, tr("Mat not in view"), tr("no measurement while the mat's markers are hidden"))
    work = [w for w in alarm.shown if w.kind not in EQUIPMENT and not w.is_back]
    if work:
        return _of_warning(work[0])
    if result.t_s - result.molten_s < MOLTEN_SHOWN_S:
        return Told(Standing.GOOD, tr("Joints molten"),
                    tr("seen: {}; try with a light nudge, never pull").format(_how(result)))
    return _of_tool(result, shown.too_slow)


def is_aim_known(result: FrameResult) -> bool:
    """Whether this frame, or one a moment before, says where the jet points."""
    now = result.exposure
    return now.age_s <= STALE_S and bool(np.isfinite(now.aim_board_mm).all())


def _how(result: FrameResult) -> str:
    """By what the joints were seen molten."""
    kinds = [lesson.sight.kind for lesson in result.lessons if LAW[lesson.sight.kind].is_above]
    return tr(LAW[kinds[-1]].words) if kinds else tr("at {:.1f} s").format(result.molten_s)


def height_words(result: FrameResult | None) -> tuple[str, str]:
    """The big figure and its 90 % band; dashes where nothing is measured."""
    now = result.exposure if result is not None else None
    if now is None or not now.observed or not math.isfinite(now.height_mm):
        return "–", tr("no measurement")
    half = Z90 * now.height_sigma_mm
    return f"{now.height_mm:.0f}" if half >= 1 else f"{now.height_mm:.1f}", f"± {half:.1f} mm"


def limit_rows(heat: HeatReading | None, limits_c: dict[str, float], names: tuple[str, ...], target: str) -> list[Row]:
    """Joint, part, neighbours and underside with their bands and limits; empty without an estimate."""
    if heat is None:
        return []
    asked = [("joint corner", tr("joint, coldest"), None), ("package top", target, limits_c.get("package top"))]
    asked += [(name, name, limits_c.get(name)) for name in names]
    asked += [("underside", tr("underside"), limits_c.get("underside"))]
    return [_row(label, heat.temp_c[site], limit) for site, label, limit in asked if site in heat.temp_c]


def next_limit(heat: HeatReading | None, target: str) -> str:
    """Which limit comes first at the present input, and in what time."""
    if heat is None:
        return ""
    ahead = [(b.low, b.mid, name, b) for name, b in heat.limit_in_s.items() if b is not None and math.isfinite(b.mid)]
    if not ahead:
        return tr("no limit ahead at this input")
    low, mid, name, band = min(ahead, key=lambda a: a[:2])
    name = target if name == "package top" else name
    if mid <= 0:
        return tr("{} is at its limit").format(name)
    if low < 1.0:
        return tr("{} may be at its limit already").format(name)
    if low < SHARPEST_SHARE * mid or not math.isfinite(band.high):
        return tr("{} at limit in {:.0f} s at the earliest").format(name, low)
    return tr("{} at limit in {:.0f} s ({})").format(name, mid, _span(band))


def melt_counter(heat: HeatReading | None) -> str:
    """When the joints melt at the present input, as far as that is known."""
    if heat is None:
        return tr("joints: no estimate")
    if heat.joint is JointState.LIKELY_MOLTEN:
        return tr("joints likely molten")
    ahead = heat.melt_in_s
    if ahead is None:
        return tr("joints: no melt ahead at this input")
    return _from_to(ahead, tr("joints melt in {:.0f} to {:.0f} s"), tr("joints melt in {:.0f} s at the earliest"),
                    tr("joints may be melting"))


def limit_counter(heat: HeatReading | None) -> str:
    """When the first limit is reached at the present input, as far as that is known."""
    if heat is None:
        return tr("limits: no estimate")
    ahead = [b for b in heat.limit_in_s.values() if b is not None]
    if not ahead:
        return tr("no limit ahead at this input")
    first = min(ahead, key=lambda b: (b.low, b.mid))
    return _from_to(first, tr("first limit in {:.0f} to {:.0f} s"), tr("first limit in {:.0f} s at the earliest"),
                    tr("a limit may be reached already"))


def _from_to(band: Band, both: str, earliest: str, now: str) -> str:
    if band.low < 1.0:
        return now
    if band.high >= LOOK_AHEAD_S or not math.isfinite(band.high):
        return earliest.format(band.low)
    return both.format(band.low, band.high)


def joint_words(heat: HeatReading | None) -> tuple[str, str]:
    """What may be said of the joints, and why."""
    return ("", "") if heat is None else (tr(heat.joint.value), heat.joint_reason)


def summarise(told: PassTold, job: Job, heights: list[tuple[float, float]], band_mm: tuple[float, float],
              warnings: list[TechniqueWarning]) -> Summary:
    """A pass's summary for the seconds after lift-off.

    Parameters
    ----------
    told : PassTold
    job : Job
    heights : list of (t_s, height_mm)
        Of the session; nan where not measured.
    band_mm : tuple of float
        The silent band.
    warnings : list of TechniqueWarning
        Those that were raised in the pass.
    """
    p = told.summary
    kinds = list(dict.fromkeys(w.kind for w in warnings if w.kind not in EQUIPMENT))
    is_act = any(w.priority is Priority.HIGH for w in warnings)
    standing = Standing.ACT if is_act else Standing.HEED if kinds or p.in_limits < 0.9 else Standing.GOOD
    numbers = [(tr("height"), tr("{:.1f} mm, {:.0f} % in limits").format(p.height_mean_mm, 100 * p.in_limits)),
               (tr("dwell"), tr("{:.1f} s, {:.0f} % of the target swept").format(p.dwell_s, 100 * p.coverage))]
    if p.energy_j is not None:
        numbers.append((tr("heat, this pass"), tr("about {:.0f} J ({:.0f} to {:.0f}, estimate)").format(
            p.energy_j.mid, p.energy_j.low, p.energy_j.high)))
    near = [(t - p.t_start_s, h) for t, h in heights if p.t_start_s <= t <= p.t_end_s]
    trace = _thinned(*np.array(near, float).reshape(-1, 2).T)
    notes = [tr("muted pass: no tone, to see what is learned")] if told.note.is_probe else []
    note = "; ".join([*notes, *([tr(told.guide_words)] if told.guide_words else [])])
    return Summary(standing, _verdict(p.number, kinds, told, p.in_limits), tuple(numbers), trace,
                   job.limits.height_mm, band_mm, note)


def _thinned(t_s: np.ndarray, mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The lowest and the highest of every few frames, so that a long pass is drawn as fast as a short one."""
    if len(t_s) <= MOST_POINTS:
        return t_s, mm
    kept: list[int] = []
    for part in np.array_split(np.arange(len(t_s)), MOST_POINTS // 2):
        seen = part[np.isfinite(mm[part])]
        kept += sorted({seen[mm[seen].argmin()], seen[mm[seen].argmax()]}) if len(seen) else [part[0]]
    return t_s[kept], mm[kept]


def _verdict(number: int, kinds: list[str], told: PassTold, in_limits: float) -> str:
    head = tr("Pass {}").format(number)
    if kinds:
        return f"{head}: " + ", ".join(tr(WORDS.get(k, k)) for k in kinds)
    if in_limits < 0.9:
        return f"{head}: " + tr("{:.0f} % of the time outside the height limits").format(100 * (1 - in_limits))
    share = told.in_band_share
    held = tr("held, {:.0f} % of the time in the band").format(100 * share) if math.isfinite(share) else tr("held")
    return f"{head}: {held}"


def _of_warning(w: TechniqueWarning) -> Told:
    standing = Standing.ACT if w.priority is Priority.HIGH else Standing.HEED
    return Told(standing, tr(w.action), w.text_now or w.text, ARROWS.get(w.kind, ""))


def warning_words(w: TechniqueWarning) -> str:
    """What a warning's line in the list says: the value of now beside its limit, or that it is over but for the
    delay.
    """
    if not w.is_back:
        return f"{tr(w.action)}: {w.text_now or w.text}"
    return tr("{}, back inside: {}").format(tr(WORDS.get(w.kind, w.kind)), w.text_now or tr("no longer there"))


def _of_tool(result: FrameResult, too_slow: str) -> Told:
    if result.state is ToolState.ON_TARGET:
        if result.in_pass:
            return Told(Standing.GOOD, tr("On target"), tr("height and aim are inside their limits"))
        return Told(Standing.IDLE, tr("Near target"), tr("a pass begins by itself below the upper height limit"))
    if result.state is ToolState.OFF_TARGET and not is_aim_known(result):
        return Told(Standing.UNKNOWN, tr("Aim not known"),
                    tr("too little of the nozzle is seen to tell where it points"))
    if result.state is ToolState.NOT_YET and too_slow:
        return Told(Standing.UNKNOWN, tr("Not found yet"), too_slow)
    words = {ToolState.NOT_YET: (tr("Waiting"), tr("bring the nozzle into view")),
             ToolState.AWAY: (tr("Away"), tr("the nozzle was led away; nothing is heated")),
             ToolState.OFF_TARGET: (tr("Off target"), tr("the jet points beside the target"))}
    word, reason = words.get(result.state, (tr(result.state.value), ""))
    return Told(Standing.IDLE, word, reason)


def _row(name: str, band: Band, limit: float | None) -> Row:
    value = f"{band.mid:.0f} °C ({_span(band)})"
    if limit is None:
        return Row(name, value, "", Standing.IDLE)
    standing = Standing.ACT if band.mid > limit else Standing.HEED if band.high > limit else Standing.GOOD
    return Row(name, value, f"{limit:.0f} °C", standing)


def _span(band: Band) -> str:
    high = "?" if not math.isfinite(band.high) else f"{band.high:.0f}"
    return tr("{:.0f} to {}").format(band.low, high)
