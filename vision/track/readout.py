"""How long a camera takes to read its rows one after the other, told by how a tool that moves before it is sheared."""

from __future__ import annotations

from vision.fit.pose import PoseFit
from vision.track.hypothesis import news

__all__ = ["Readout"]


class Readout:
    """What is known of it, as a camera file says it at first.

    Attributes
    ----------
    value_s, var_s2 : float
        From the first row's exposure to the last row's, and its variance [s^2].
    """

    def __init__(self, value_s: float, sigma_s: float) -> None:
        self.value_s, self.var_s2 = value_s, sigma_s**2

    def see(self, fit: PoseFit, dt_s: float) -> None:
        """Learn from a picture dt_s after the one before. It counts for that time, since pictures that follow each
        other closely tell the same again."""
        share = news(dt_s)
        total = 1.0 / self.var_s2 + share * max(fit.readout_information, 0.0)
        self.value_s += share * (fit.readout_score - fit.readout_information * self.value_s) / total
        self.var_s2 = 1.0 / total
