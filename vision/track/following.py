"""Brings one hypothesis up to a picture: predicts it, fits the outline near there, asks the picture, and updates the
filter.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.special import expit

from vision.camera.model import CameraModel
from vision.fit.bias import DEFAULT_BIAS, EdgeBias, edge_offsets
from vision.fit.pose import Picture, PoseFit, PosePrior, Rounds, Travel, fit_pose
from vision.nozzle.body import Hold, NozzleBody, ToolPose
from vision.track.chart import pose_of
from vision.track.estimate import is_known, steady
from vision.track.evidence import log_likelihood_ratio, log_odds_right
from vision.track.find import DRAFT_STEP_MM, IN_PART, poses_near, share_in_view
from vision.track.hypothesis import LOG_HIDDEN, Hypothesis, news, updated_log_odds
from vision.track.kalman import (
    N_MOVING,
    N_POSE,
    N_RATE,
    Motion,
    ToolState,
    condition,
    gate,
    mixture_cov,
    predict,
    start_state,
    with_modes,
)
from vision.track.measurement import bench_chart, chart_turn, in_steps, observation, turned_cov
from vision.track.metal import log_appearance_ratio, metal_appearance
from vision.track.prior import log_prior
from vision.track.readout import Readout
from vision.track.shutter import Shutter, is_telling
from vision.types import BenchPose, FloatArray

__all__ = ["Follower", "NozzleModel", "WHOLE"]

# share of the outline in the picture from which on the pose can stand without its past; and the noise of the colours of
# a tool not seen in part: they come at half the size, and mixed with brightness, so that edges lie elsewhere in them
# [trial]
WHOLE, _PALE = 0.35, 1.3
_GATE = 25.0  # chi-square of 5 degrees of freedom, 99.99 % [derived]
# what one frame's own covariance leaves out, for the gate: whole sides are off alike, from frame to frame differently
# [trial]
_JITTER_COV = np.diag([0.4, 0.4, 1.0, 0.008, 0.008]) ** 2
_LOG_JUMP = np.log(0.05)  # that a pose which the filter does not expect is the tool's [convention]
_KNOWN_LOG_ODDS = 4.0  # from which on the metal's appearance is not asked any more [convention]
_AS_USUAL = 0.9  # share of what is usual of the outline, below which other ways to see it are tried [convention]
_WELL_QUALITY = 0.77  # below it a pose's sigma grows, as the cube of how much quality lacks [trial]
# so often at most, less the time since the picture before, a track that is seen badly is looked for in other ways,
# through smoke and around where it is expected: that takes as long as following it for three pictures, for which the
# pictures of a slow camera leave time, and a search of the whole picture goes on besides [convention]
_OTHERWISE_S = 0.13
_AWAY_S = 0.1  # which pictures did not show for longer may be elsewhere than it is expected [convention]
_SMOKE_EARNS = 1.3  # a picture is taken for smoky only when that explains it so much better [trial]
_SMOKE = 0.12  # sigma of the brightness that smoke lays over the bench [convention]
_NEAR_STEPS = [15.0, 15.0, 15.0, 0.1, 0.1, 0.1]  # [mm], [rad]: as far as poses near a track are drawn
# ways to fit: rounds, and whether through smoke; and the rounds of a draft [trial]
_CLOSE, _WIDE, _VEILED = (Rounds((2.5, 1.0)), False), (Rounds((5.0, 2.0, 1.0)), False), (Rounds((5.0, 2.0, 1.0)), True)
_DRAFT = Rounds((5.0, 2.0), DRAFT_STEP_MM, is_exact=False)


@dataclass(frozen=True)
class NozzleModel:
    """A nozzle as the tracker needs it: its body, where its edges appear, the bench it was calibrated over, the pose
    (camera from bench) at which that is seen so (without one the camera is taken to stand where it stood), how it is
    held, how its metal appears."""

    body: NozzleBody
    bias: dict[tuple[str, bool], EdgeBias] = field(default_factory=lambda: dict(DEFAULT_BIAS))
    bench: np.ndarray | None = None
    bench_pose: FloatArray | None = None
    holds: tuple[Hold, ...] = ()
    metal_appearance: FloatArray | None = None


class Follower:
    """Of one nozzle over one bench before one camera.

    Attributes
    ----------
    shutter : Shutter
    readout : Readout
    appearance : array, shape (3,), or None
        Of the nozzle's metal, in the light of now.
    """

    def __init__(self, camera: CameraModel, nozzle: NozzleModel, board_top_mm: float) -> None:
        self._camera, self._nozzle, self._body, self._board_top_mm = camera, nozzle, nozzle.body, board_top_mm
        self._motion = Motion(*edge_offsets(nozzle.body, nozzle.bias))
        self._n_tracks = 0
        self.shutter, self.appearance = Shutter(camera, nozzle.body), nozzle.metal_appearance
        self.readout = Readout(camera.readout_s, camera.readout_sigma_s)

    def begin(self, fit: PoseFit, picture: Picture, bench: BenchPose, holds: tuple[Hold, ...], log_odds: float,
              dt_s: float) -> Hypothesis:
        """A new hypothesis from a pose found in a picture, with the odds before that; dt_s for which the picture
        counts.
        """
        t_s, chart = bench.t_s, np.concatenate([bench_chart(fit.pose, bench), fit.offset_px])
        self._n_tracks += 1
        fresh = start_state(t_s, chart[:6], 1e4 * np.eye(6), self._motion, self._n_tracks)
        shown = log_likelihood_ratio(self._body, fit)
        ratio = shown + self._log_known(fit, picture, bench, holds, True)
        return Hypothesis(self._conditioned(fresh, fit, bench), updated_log_odds(log_odds, ratio, dt_s), t_s, t_s, t_s,
                          fit, ratio, fit.quality, log_odds_right(shown))

    def step(self, h: Hypothesis, picture: Picture, bench: BenchPose, holds: tuple[Hold, ...],
             searches_around: bool = True) -> list[Hypothesis]:
        """That hypothesis after a picture, and what it would be were the tool where only this picture puts it; where it
        is not seen as expected it is looked for around there, too."""
        t_s, dt_s = bench.t_s, bench.t_s - h.t_s
        ahead = predict(h.state, t_s, self._motion)
        prior = self._expected(ahead, bench)
        if share_in_view(self._camera, self._body, prior.pose) > IN_PART:
            picture = replace(picture, noise=_paled(picture.noise))
        fit, is_smoky, t_otherwise_s = self._fit(h, picture, prior, t_s, searches_around)
        h = replace(h, t_otherwise_s=t_otherwise_s)
        shown = -np.inf if fit is None else log_likelihood_ratio(self._body, fit)
        ratio = shown if fit is None else shown + self._log_known(fit, picture, bench, holds,
                                                                  h.log_odds < _KNOWN_LOG_ODDS)
        hidden = replace(h, t_s=t_s, fit=None, log_ratio=ratio,
                         log_odds=updated_log_odds(h.log_odds, min(ratio, 0.0), dt_s))
        if fit is None or ratio < LOG_HIDDEN:
            return [hidden]
        _, alone, alone_cov = observation(fit, bench, t_s, self._body)
        if gate(ahead, alone, alone_cov + _JITTER_COV) > _GATE:
            return [replace(hidden, log_odds=updated_log_odds(h.log_odds, -np.inf, dt_s)),
                    self.begin(fit, picture, bench, holds, h.log_odds + _LOG_JUMP, dt_s)]
        after = with_modes(self._conditioned(ahead, fit, bench), h.state, alone, alone_cov + _JITTER_COV)
        log_right = log_odds_right(shown)
        wider_cov = mixture_cov(ahead, after, float(expit(log_right))) - after.cov
        state, t_start_s = replace(after, steady_cov=after.steady_cov + wider_cov[:5, :5]), t_s
        # what was away so long, or was not known any more, may be found elsewhere than it is, like a new one
        if not _was_away(h, t_s) and is_known(h.state):
            t_start_s, log_right = h.t_start_s, log_odds_right(shown, h.log_right, news(dt_s))
        return [replace(h, state=state, log_odds=updated_log_odds(h.log_odds, ratio, dt_s), t_s=t_s,
                        t_start_s=t_start_s, t_seen_s=t_s, fit=fit, log_ratio=ratio,
                        quality=h.quality + 0.1 * (fit.quality - h.quality), log_right=log_right,
                        is_smoky=is_smoky)]

    def learn(self, h: Hypothesis, fit: PoseFit, picture: Picture, bench: BenchPose, dt_s: float) -> None:
        """What a clear sight tells of the camera: how long rows take, and how long the shutter is open."""
        self.readout.see(fit, dt_s)
        velocity_mm_s = self.velocity_mm_s(h.state, bench)
        if is_telling(fit.jacobian[:, :3] @ velocity_mm_s):
            self.shutter.see(bench.t_s, picture, fit.pose, velocity_mm_s, self.readout.value_s)

    def velocity_mm_s(self, state: ToolState, bench: BenchPose) -> FloatArray:
        """Of the outlet, camera frame (3,)."""
        return bench.cam_from_bench[:3, :3] @ state.mean[N_POSE:N_POSE + 3]

    def expected(self, state: ToolState, t_s: float) -> ToolState:
        """A state at a later time, when no picture shows the tool."""
        return predict(state, t_s, self._motion) if t_s > state.t_s else state

    def _log_known(self, fit: PoseFit, picture: Picture, bench: BenchPose, holds: tuple[Hold, ...],
                   uses_appearance: bool) -> float:
        """Logarithm of how likely a tool has that pose and appearance, against usual ones and other things."""
        ratio = log_prior(fit, bench, self._board_top_mm, self._motion, holds)
        if uses_appearance and self.appearance is not None:
            seen = metal_appearance(self._camera, self._body, picture, fit.pose)
            ratio += log_appearance_ratio(seen, self.appearance)
        return ratio

    def _fit(self, h: Hypothesis, picture: Picture, prior: PosePrior, t_s: float,
             searches_around: bool) -> tuple[PoseFit | None, bool, float]:
        """The best fit near where the tool is expected, or else from around there; whether it is seen through smoke;
        and when it was last looked for otherwise."""
        is_due = t_s - h.t_otherwise_s >= _OTHERWISE_S - (t_s - h.t_s)
        fit, is_smoky = self._fit_from(h, picture, prior, prior.pose, is_due)
        is_poor = fit is None or log_likelihood_ratio(self._body, fit) < 0.0  # another thing explains it better
        # what is seen again may be elsewhere, though it looks well
        if not searches_around or not ((is_due and is_poor) or (fit is not None and _was_away(h, t_s))):
            is_usual = fit is not None and fit.quality > _AS_USUAL * h.quality
            return fit, is_smoky, t_s if is_due and not is_usual else h.t_otherwise_s
        other, veiled = self._fit_around(h, picture, prior)
        if other is not None and (fit is None or other.score > fit.score):
            return other, veiled, t_s
        return fit, is_smoky, t_s

    def _fit_from(self, h: Hypothesis, picture: Picture, prior: PosePrior, start: ToolPose,
                  allows_smoke: bool = True) -> tuple[PoseFit | None, bool]:
        """A fit from a start near the track, edges taken close by as long as that serves as well as usual, then further
        away and, where asked or seen so before, through smoke; and whether through smoke was best."""
        best, most, is_smoky = None, 0.0, False
        clear = (_CLOSE, _WIDE)
        for setting in (_VEILED, *clear) if h.is_smoky else (*clear, _VEILED) if allows_smoke else clear:
            rounds, is_veiled = setting
            seen = replace(picture, veil=_SMOKE) if is_veiled else picture
            fit = fit_pose(self._camera, self._body, seen, start, self._nozzle.bias, prior=prior, rounds=rounds)
            if fit is not None:
                score = fit.score / _SMOKE_EARNS if is_veiled else fit.score
                if best is None or score > most:
                    best, most, is_smoky = fit, score, is_veiled
                if best.quality > _AS_USUAL * h.quality:
                    break
        return best, is_smoky

    def _fit_around(self, h: Hypothesis, picture: Picture, prior: PosePrior) -> tuple[PoseFit | None, bool]:
        """The best fit from other starts around the track."""
        wide = replace(prior, cov=prior.cov * 4.0)
        spread = np.minimum(np.sqrt(np.diag(wide.cov)[:6]), _NEAR_STEPS)
        drafts = []
        for start in poses_near(self._camera, self._body, picture, prior.pose, spread):
            draft = fit_pose(self._camera, self._body, picture, start, self._nozzle.bias, prior=wide,
                             rounds=_DRAFT)
            if draft is not None:
                drafts.append(draft)
        return self._fit_from(h, picture, prior, max(drafts, key=lambda d: d.score).pose) if drafts else (None, False)

    def _expected(self, ahead: ToolState, bench: BenchPose) -> PosePrior:
        """The predicted state as a fit's prior, in the camera frame, with how the tool moves while the picture is
        taken, as it goes with the pose."""
        pose = ToolPose(*pose_of(ahead.mean[:N_POSE], bench.cam_from_bench))
        turn = chart_turn(pose, bench, self._body)
        cov, rates, faster = in_steps(ahead.mean, ahead.cov, turn)
        travel = Travel(rates, faster, self.shutter.open_s, self.readout.value_s, self.readout.var_s2)
        return PosePrior(pose, ahead.mean[N_MOVING:], cov, travel=travel)

    def _conditioned(self, ahead: ToolState, fit: PoseFit, bench: BenchPose) -> ToolState:
        """The state after a fit whose prior it was."""
        turn = chart_turn(fit.pose, bench, self._body)
        mean = np.concatenate([bench_chart(fit.pose, bench), fit.offset_px])
        sites = np.where(fit.sites < N_POSE, fit.sites, fit.sites + N_RATE)
        mean[5] = ahead.mean[5] + (mean[5] - ahead.mean[5] + np.pi) % (2 * np.pi) - np.pi
        state = condition(ahead, sites, mean, turned_cov(fit.cov, turn))
        lacks = max(_WELL_QUALITY / fit.quality, 1.0) ** 3 - 1.0
        rates = state.mean[N_POSE:N_MOVING]
        rates2 = np.outer(rates, rates) + state.cov[N_POSE:N_MOVING, N_POSE:N_MOVING]
        travel2_mm2 = float(np.trace(rates2[:3, :3])) * self.shutter.open_s**2
        always = steady(turn[:5] @ fit.offsets_cov @ turn[:5].T, travel2_mm2)
        # the pose is that at the tool's own rows' time, as it is taken to be
        always += fit.row_share**2 * self.readout.var_s2 * rates2
        return replace(state, steady_cov=always + lacks * state.cov[:5, :5])


def _paled(noise: tuple[float, float, float]) -> tuple[float, float, float]:
    """Noise of a picture whose colours count for little."""
    brightness, blue, red = noise
    return brightness, max(blue, _PALE), max(red, _PALE)


def _was_away(h: Hypothesis, t_s: float) -> bool:
    """Whether pictures have not shown a hypothesis for so long that it may be found elsewhere than it is."""
    return h.fit is None and t_s - h.t_seen_s > _AWAY_S
