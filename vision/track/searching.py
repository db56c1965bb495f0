"""Searches for the tool that go on, one at a time on a thread of their own, while later pictures come in."""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np

from vision.camera.model import CameraModel
from vision.fit.bias import Biases
from vision.fit.pose import Picture, PoseFit
from vision.nozzle.body import Hold, NozzleBody
from vision.threads import lower_priority
from vision.track.find import Sought, find_poses
from vision.track.hypothesis import Hypothesis, is_outdone, is_same, share_for_new
from vision.types import BenchPose

__all__ = ["SEARCH_S", "Search", "Searcher"]

SEARCH_S = 0.06  # for which a search is given time, on any machine [convention]
_MOST_LATER = 16  # pictures kept beside a search; where one takes long, every other of them is enough [convention]


@dataclass
class Search:
    """A look for the tool in one picture; its answer counts SEARCH_S after it, on any machine that has it by then, so
    that a recording gives what the live bench gave.

    Attributes
    ----------
    prior_log_odds : float
        Of each pose that is found, against no tool at all, before this picture is looked at.
    followed : list of Hypothesis
        Those that the picture showed anyway.
    later : list of (Picture, BenchPose, time [s])
        Pictures since, through which the answer is followed.
    found : list of Hypothesis or None
        The answer, followed to `t_found_s`; None until it counts.
    """

    t_s: float
    picture: Picture
    bench: BenchPose
    answer: Future[list[PoseFit]]
    prior_log_odds: float
    holds: tuple[Hold, ...]
    followed: list[Hypothesis]
    later: list[tuple[Picture, BenchPose, float]] = field(default_factory=list)
    found: list[Hypothesis] | None = None
    t_found_s: float = np.nan

    def keep(self, picture: Picture, bench: BenchPose, t_s: float) -> None:
        """Remember a later picture."""
        self.later.append((picture, bench, t_s))
        if len(self.later) > _MOST_LATER:
            del self.later[1::2]

    def next_picture(self, step_s: float) -> tuple[Picture, BenchPose, float]:
        """The first one that came more than step_s after that to which the answer was followed, else the newest."""
        return next((one for one in self.later if one[2] - self.t_found_s > step_s), self.later[-1])

    def is_new(self, found: Hypothesis, hypotheses: list[Hypothesis]) -> bool:
        """Whether an answer is worth following: neither one of the hypotheses that the picture showed anyway, and the
        newest one still shows, nor far less likely by that picture than one of these."""
        seen = {h.state.track for h in hypotheses if h.fit is not None}
        return not any(is_same(h, found) or is_outdone(found, h) for h in self.followed if h.state.track in seen)

    def is_due(self, t_s: float, waits: bool) -> bool:
        """Whether its answer counts at that time: a late one is waited for, or counts from a later frame on."""
        return t_s - self.t_s >= SEARCH_S and (waits or self.answer.done())


class Searcher:
    """Begins searches for one tool before one camera; parameters as in `Sought`.

    A second look while the tool is followed lets everything else go first; while there is nothing to follow, nothing
    matters more than finding it.
    """

    def __init__(self, camera: CameraModel, body: NozzleBody, board_top_mm: float, bias: Biases) -> None:
        self._camera, self._body, self._board_top_mm, self._bias = camera, body, board_top_mm, bias
        self._first, self._second = ThreadPoolExecutor(1, "search"), ThreadPoolExecutor(1, "second search",
                                                                                        lower_priority)
        # the bench as the search sees it; that goes on being learned
        self._still: tuple[np.ndarray, np.ndarray] | None = None

    def begin(self, picture: Picture, bench: BenchPose, t_s: float, holds: tuple[Hold, ...],
              hypotheses: list[Hypothesis], is_known: bool = False) -> Search:
        """Look for the tool everywhere in a picture, beside those hypotheses; whether one of them surely is it."""
        if self._still is None:
            self._still = np.empty_like(picture.background), np.empty_like(picture.known)
        for kept, now in zip(self._still, (picture.background, picture.known), strict=True):
            np.copyto(kept, now)
        still = replace(picture, background=self._still[0], known=self._still[1])
        sought = Sought(self._camera, self._body, bench.cam_from_bench, self._board_top_mm, self._bias, holds)
        answer = (self._second if is_known else self._first).submit(find_poses, sought, still)
        return Search(t_s, still, bench, answer, share_for_new(hypotheses), holds,
                      [h for h in hypotheses if h.fit is not None])
