"""Sharpens the heat chain with one run of thermocouples: Bayesian least squares with the chain's own priors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.errors import InputError
from monitor.heat.calibration import Calibration
from monitor.heat.chain import Chain
from monitor.heat.estimate import SITES, joined, member_blow
from monitor.heat.types import HeatInput, HeatSetup
from monitor.heat.uncertainty import CALIBRATED_FORM_SHARE, PARAMETERS, Knowledge, described, parameters

__all__ = ["FitResult", "fit_thermocouple"]

FloatArray = NDArray[np.float64]

# Fitted along, so that they do not pass for physics; not kept: the run's own error of height and aim, and last the
# reading of every bead, which contact and place put off by a share of the rise for the whole run.
RUN_ERRORS = ("height", "aim x", "aim y")
BEAD_SHARE = 0.02  # 1 sigma: 4 K at a rise of 200 K; practice, no source
BIN_S = 5.0  # one independent reading per bin
FIRST_SIGMA_K, LEAST_SIGMA_K = 5.0, 2.5  # 1 sigma of a bin: before the run has shown its own scatter, and at the least
STEP_S = 0.25
OFFSET_RANGE_S, OFFSET_STEP_S = 60.0, 0.5
LEAST_RISE_K, LEAST_BINS = 40.0, 6
LARGEST_RMS_K = 15.0
LARGEST_UNSEEN_SHARE = 0.2
IDENTIFIED = 1.0  # a combination is identified when the run halves its variance
MOST_STEPS, HOPELESS_STEPS = 12, 3
_NUDGE = 0.25  # score step of the numerical derivative


@dataclass(frozen=True)
class FitResult:
    """A calibration and how the run supports it; times on the recording's clock [s], temperatures [C], (times, beads).

    sites: where each bead sat. predicted_c is the chain after the fit, prior_c before it; bin_sigma_k the scatter that
    a reading was given.
    """

    calibration: Calibration
    sites: tuple[str, ...]
    offset_s: float
    offset_sigma_s: float
    t_s: FloatArray
    measured_c: FloatArray
    predicted_c: FloatArray
    prior_c: FloatArray
    bin_sigma_k: float
    singular_values: FloatArray
    report: tuple[str, ...]


class _Log(NamedTuple):
    """What was logged: times (n,) on its own clock, readings (n, beads)."""

    t_s: FloatArray
    temp_c: FloatArray


@dataclass(frozen=True)
class _State:
    scores: FloatArray
    offset_s: float
    sigma_k: float = FIRST_SIGMA_K


@dataclass(frozen=True)
class _Taught:
    """What a run taught: scores (n,) with their covariance, singular values and directions of what it identifies,
    whitened by the prior, the clocks' offset with its 1 sigma, and what is left between bins and chain."""

    scores: FloatArray
    posterior: FloatArray
    singular: FloatArray
    directions: FloatArray
    offset_s: float
    offset_sigma_s: float
    rms_k: float


# times (n,), readings (n, beads), derivative to the scores (n, beads, scores)
Run = tuple[FloatArray, FloatArray, FloatArray]
# times, readings, the chain's after the fit and before it (times, beads), and a reading's scatter
Series = tuple[FloatArray, FloatArray, FloatArray, FloatArray, float]


def fit_thermocouple(setup: HeatSetup, inputs: Sequence[HeatInput], log_t_s: ArrayLike, log_c: ArrayLike, *,
                     site: str | Sequence[str] = "joint centre") -> FitResult:
    """Fit the chain to logged temperatures.

    Parameters
    ----------
    setup : HeatSetup
        The job of the run, with the part that carried the beads.
    inputs : sequence of HeatInput
        The recording's jet, in order of time.
    log_t_s, log_c : array, shape (n,), (n,) or (n, beads)
        The log; its clock may differ from the recording's by a constant, which is found.
    site : str or sequence of one for every bead
        Where it sat: one of the estimate's sites, or a neighbour's name.

    Raises
    ------
    InputError
        If the run cannot teach anything: too short, too cold, too often unseen, clocks that cannot be matched,
        or readings that the chain cannot follow.
    """
    sites = (site,) if isinstance(site, str) else tuple(site)
    log = _checked(setup, inputs, log_t_s, log_c, sites)
    steps = _steps(inputs)
    state = _State(np.zeros(len(PARAMETERS) + len(RUN_ERRORS) + len(sites)), 0.0)
    run = _simulate(setup, steps, state.scores, sites)
    state = replace(state, offset_s=_find_offset(*run, log))
    before = run
    run, state = _converged(setup, steps, sites, run, state, log)
    posterior, whitened, offset_sigma = _spread(run, state, log)
    times, temps, _ = run
    bin_t, bin_c = _bins(log, state.offset_s, times)
    predicted, untaught = _at(bin_t, times, temps), _at(bin_t, *before[:2])
    singular, directions = np.linalg.svd(whitened)[1:]
    taught = _Taught(state.scores, posterior, singular, directions, state.offset_s, offset_sigma,
                     _rms(run, state, log))
    _refuse(taught.rms_k, singular, offset_sigma)
    return _result(setup, inputs, sites, taught, (bin_t, bin_c, predicted, untaught, state.sigma_k))


def _checked(setup: HeatSetup, inputs: Sequence[HeatInput], log_t_s: ArrayLike, log_c: ArrayLike,
             sites: tuple[str, ...]) -> _Log:
    t, temp = np.asarray(log_t_s, float), np.asarray(log_c, float)
    temp = temp[:, None] if temp.ndim == 1 else temp
    known = (*SITES, *(n.name for n in setup.neighbours))
    for n, site in enumerate(sites):
        if site not in known:
            raise InputError(f"site: {site!r} is not one of {', '.join(known)}")
        if site in sites[:n]:
            raise InputError(f"site: {site!r} is named twice; one bead for each site")
    if temp.shape != (t.size, len(sites)) or t.size < 2 or not np.isfinite(t).all() or not np.isfinite(temp).all():
        raise InputError(f"thermocouple log: expected times and {len(sites)} columns of readings, of equal length, "
                         "with finite numbers")
    if (np.diff(t) <= 0).any():
        raise InputError(f"thermocouple log: time does not grow at row {int(np.argmax(np.diff(t) <= 0)) + 2}")
    risen = float(np.ptp(temp, axis=0).max())
    if risen < LEAST_RISE_K:
        raise InputError(f"thermocouple log: rises only {risen:.0f} K; heat for longer or from lower, at least "
                         f"{LEAST_RISE_K:.0f} K")
    if t[-1] - t[0] < LEAST_BINS * BIN_S or (inputs and inputs[-1].t_s - inputs[0].t_s < LEAST_BINS * BIN_S):
        raise InputError(f"thermocouple run: shorter than {LEAST_BINS * BIN_S:.0f} s")
    if not inputs or not any(i.observed for i in inputs):
        raise InputError("thermocouple run: the nozzle is never seen in the recording")
    unseen = sum(i.dt_s for i in inputs if i.on and not i.observed) / sum(i.dt_s for i in inputs)
    if unseen > LARGEST_UNSEEN_SHARE:
        raise InputError(f"thermocouple run: the nozzle is unseen for {100 * unseen:.0f} % of the time")
    return _Log(t, temp)


def _steps(inputs: Sequence[HeatInput]) -> list[HeatInput]:
    """The recording's inputs joined into longer steps; short unseen spells keep the last sight, a tool led away heats
    not.
    """
    steps: list[HeatInput] = []
    group: list[HeatInput] = []
    last: HeatInput | None = None
    for item in inputs:
        if item.observed:
            last = item
        known = item
        if not item.observed:
            known = replace(last or item, t_s=item.t_s, dt_s=item.dt_s, on=item.on and last is not None)
        if group and (known.on != group[0].on or sum(g.dt_s for g in group) + known.dt_s > STEP_S):
            steps.append(joined(group))
            group = []
        group.append(known)
    return [*steps, joined(group)]


def _simulate(setup: HeatSetup, steps: list[HeatInput], scores: FloatArray, sites: tuple[str, ...]) -> Run:
    """What the beads read at the scores, and its derivative to each score."""
    n = scores.size - len(sites)  # the beads' own errors need no run
    members = np.tile(scores[:n, None], (1, 1 + 2 * n))
    for i in range(n):
        members[i, 1 + i] += _NUDGE
        members[i, 1 + n + i] -= _NUDGE
    chain = Chain(setup, parameters(members[:len(PARAMETERS)]))
    order = (*SITES, *(neighbour.name for neighbour in setup.neighbours))
    rows = [order.index(site) for site in sites]

    def at_sites() -> FloatArray:
        *faces, neighbours = chain.sites()
        return np.concatenate([faces, neighbours])[rows]

    seen, times = [at_sites()], [steps[0].t_s - steps[0].dt_s]
    for step in steps:
        if step.on:
            chain.blow(member_blow(step, setup, members[len(PARAMETERS):]), step.dt_s)
        else:
            chain.rest(step.dt_s)
        seen.append(at_sites())
        times.append(step.t_s)
    temps, gain = np.array(seen), 1 + BEAD_SHARE * scores[n:]
    start_c = temps[0, :, 0]
    rise = temps[..., 0] - start_c
    slopes = gain[:, None] * (temps[..., 1:1 + n] - temps[..., 1 + n:]) / (2 * _NUDGE)
    beads = BEAD_SHARE * rise[..., None] * np.eye(len(sites))
    return np.array(times), start_c + gain * rise, np.concatenate([slopes, beads], axis=2)


def _converged(setup: HeatSetup, steps: list[HeatInput], sites: tuple[str, ...], run: Run, state: _State,
               log: _Log) -> tuple[Run, _State]:
    """Damped Gauss-Newton steps until they are small; the scatter of the bins is learned on the way."""
    damping = 0.0
    for n in range(MOST_STEPS):
        tried, change = _improved(run, state, damping, log)
        run_tried = _simulate(setup, steps, tried.scores, sites)
        if _cost(run_tried, tried, log) <= _cost(run, state, log) + 1e-6:
            scatter = max(_rms(run_tried, tried, log), LEAST_SIGMA_K)
            is_settled = change < 0.03 and abs(scatter - state.sigma_k) < 0.2
            run, state, damping = run_tried, replace(tried, sigma_k=scatter), damping / 4
        else:
            damping, is_settled = max(4 * damping, 1.0), change < 0.03
        if is_settled or (n >= HOPELESS_STEPS and state.sigma_k > 2 * LARGEST_RMS_K):
            break
    return run, state


def _rms(run: Run, state: _State, log: _Log) -> float:
    """What is left between bins and chain, root mean square [K]."""
    miss, _ = _residual(run, state, log)
    return float(np.sqrt(np.mean(miss**2))) * state.sigma_k


def _bins(log: _Log, offset_s: float, times: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Means of the readings, set off by so much, in bins that lie within the recording."""
    t_s, temp_c = log.t_s + offset_s, log.temp_c
    inside = (t_s >= times[0]) & (t_s <= times[-1])
    index = np.floor(t_s[inside] / BIN_S).astype(int)
    used = np.unique(index)
    t = np.array([t_s[inside][index == b].mean() for b in used])
    return t, np.array([temp_c[inside][index == b].mean(axis=0) for b in used])


def _find_offset(times: FloatArray, temps: FloatArray, slopes: FloatArray, log: _Log) -> float:
    """Offset whose best linearised fit is best, scanned over the range."""
    best = (np.inf, 0.0)
    for offset in np.arange(-OFFSET_RANGE_S, OFFSET_RANGE_S + 1e-9, OFFSET_STEP_S):
        bin_t, bin_c = _bins(log, offset, times)
        if bin_t.size < LEAST_BINS:
            continue
        residual = (bin_c - _at(bin_t, times, temps)).ravel() / FIRST_SIGMA_K
        j = _at(bin_t, times, slopes).reshape(residual.size, -1) / FIRST_SIGMA_K
        gram = np.eye(residual.size) + j @ j.T
        cost = float(residual @ np.linalg.solve(gram, residual)) / residual.size
        best = min(best, (cost, float(offset)))
    if not np.isfinite(best[0]):
        raise InputError("thermocouple log: does not overlap the recording; check that they belong together")
    return best[1]


def _residual(run: Run, state: _State, log: _Log) -> tuple[FloatArray, FloatArray]:
    """Misses of the bins and their derivative to scores and offset, both in units of a bin's sigma."""
    times, temps, slopes = run
    bin_t, bin_c = _bins(log, state.offset_s, times)
    miss = (bin_c - _at(bin_t, times, temps)).ravel()
    drift = _at(bin_t, times, np.gradient(temps, times, axis=0)).ravel()
    j = np.column_stack([_at(bin_t, times, slopes).reshape(miss.size, -1), drift])
    return miss / state.sigma_k, j / state.sigma_k


def _information(j: FloatArray) -> FloatArray:
    return j.T @ j + np.diag([*np.ones(j.shape[1] - 1), 1.0 / OFFSET_RANGE_S**2])


def _improved(run: Run, state: _State, damping: float, log: _Log) -> tuple[_State, float]:
    """One damped Gauss-Newton step on the scores and the offset together, and its size."""
    miss, j = _residual(run, state, log)
    information = _information(j)
    information += damping * np.diag(np.diag(information))
    step = np.linalg.solve(information, j.T @ miss - np.r_[state.scores, 0.0])
    step = np.clip(step, [*-np.ones(step.size - 1), -3.0], [*np.ones(step.size - 1), 3.0])
    return replace(state, scores=state.scores + step[:-1], offset_s=state.offset_s
                   + float(step[-1])), float(np.abs(step).max())


def _cost(run: Run, state: _State, log: _Log) -> float:
    miss, _ = _residual(run, state, log)
    return float(miss @ miss) / max(miss.size, 1) + float(state.scores @ state.scores) / max(miss.size, 1)


def _spread(run: Run, state: _State, log: _Log) -> tuple[FloatArray, FloatArray, float]:
    """Posterior covariance of the scores, the whitened derivative to them, and the offset's sigma [s]."""
    _, j = _residual(run, state, log)
    posterior = np.asarray(np.linalg.inv(_information(j)), float)
    return posterior[:-1, :-1], j[:, :-1], float(np.sqrt(posterior[-1, -1]))


def _at(bin_t: FloatArray, times: FloatArray, values: FloatArray) -> FloatArray:
    """Values (times, ...) at other times, on lines between."""
    k = np.clip(np.searchsorted(times, bin_t), 1, times.size - 1)
    share = np.clip((bin_t - times[k - 1]) / (times[k] - times[k - 1]), 0.0, 1.0)
    share = share.reshape(-1, *(1,) * (values.ndim - 1))
    return (1 - share) * values[k - 1] + share * values[k]


def _refuse(rms: float, singular: FloatArray, offset_sigma: float) -> None:
    if rms > LARGEST_RMS_K:
        raise InputError(f"thermocouple run: the chain misses the log by {rms:.0f} K rms; check the bead's place, the "
                         "job's board and part, and that log and recording belong together")
    if singular[0] < IDENTIFIED:
        raise InputError("thermocouple run: identifies no combination of parameters; heat for longer, at two heights")
    if offset_sigma > 5.0:
        raise InputError("thermocouple run: the clocks cannot be matched; begin with a quick lift and return")


def _result(setup: HeatSetup, inputs: Sequence[HeatInput], sites: tuple[str, ...], taught: _Taught,
            series: Series) -> FitResult:
    n, rms, singular, directions = len(PARAMETERS), taught.rms_k, taught.singular, taught.directions
    # without the moments of coming and going
    low, high = np.quantile([i.height_m for i in inputs if i.observed and i.on], [0.05, 0.95]).tolist()
    combos = tuple(_in_words(v, sites) for s, v in zip(singular, directions, strict=False) if s > IDENTIFIED)
    blind = [_in_words(v, sites) for s, v in zip(np.r_[singular, np.zeros(len(directions))], directions, strict=False)
             if s <= IDENTIFIED and np.linalg.norm(v[:n]) > 0.7]  # what it is made of is more than the run's own errors
    sigma = np.sqrt(np.diag(taught.posterior))[:n]
    kept = [name for name, s in zip(PARAMETERS, sigma, strict=True) if s > 0.9]
    note = f"calibrated by a thermocouple run ({rms:.0f} K rms, {len(combos)} combinations identified)"
    form_share = max(CALIBRATED_FORM_SHARE, rms / float(np.ptp(series[1], axis=0).max()))
    knowledge = Knowledge(taught.scores[:n].copy(), taught.posterior[:n, :n].copy(), True, note, form_share,
                          (low, high))
    layers = tuple((layer.thickness_m, layer.coverage) for layer in setup.board.layers)
    calibration = Calibration(knowledge, setup.board.thickness_m, layers, setup.station.bore_m,
                              setup.station.airflow_m3_s, (low, high), rms, combos)
    spread = [f"  {line}" for line in described(knowledge)]
    report = [f"time offset {taught.offset_s:+.2f} s (1 sigma {taught.offset_sigma_s:.2f} s)",
              f"residual {rms:.1f} K rms",
              *(f"identified: {c}" for c in combos),
              *(f"not identified: {c}" for c in blind), f"kept at the prior: {', '.join(kept) or 'none'}",
              "what is known now, 1 sigma range (before the run):", *spread]
    if high < 1.5 * low:
        report.append("one height only: the decay constant is not seen well; repeat at about twice the height")
    return FitResult(calibration, sites, taught.offset_s, taught.offset_sigma_s, *series, singular, tuple(report))


def _in_words(direction: FloatArray, sites: tuple[str, ...]) -> str:
    """The largest parts of a combination, as text."""
    names = (*PARAMETERS, *RUN_ERRORS, *(f"bead at {site}" for site in sites))
    order = np.argsort(-np.abs(direction))[:3]
    sign = np.sign(direction[order[0]])
    return ", ".join(f"{sign * direction[i]:+.2f} {names[i]}" for i in order if abs(direction[i]) > 0.2)
