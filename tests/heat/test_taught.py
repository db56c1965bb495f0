"""What the shelf of melts teaches, against linear Gaussian updates of all that is unknown."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from monitor.errors import InputError
from monitor.heat.melt import LAW, Lesson, MeltSight, scalar_update
from monitor.heat.taught import MOST_MELTS, SHARED, Melt, keep_melts, melt_of, melts_of, read_melts, taught
from monitor.heat.types import StationSetup
from monitor.heat.uncertainty import PARAMETERS, Knowledge
from tests.heat.cases import job

OWN = [k for k, name in enumerate(PARAMETERS) if name not in SHARED]


def base():
    rng = np.random.default_rng(4)
    root = rng.normal(0, 0.3, (8, 8))
    return Knowledge(rng.normal(0, 0.3, 8), root @ root.T + 0.4 * np.eye(8), note="prior")


def melt(board="here", at_zero_c=214.0, mark_c=220.0, kind="settled", seed=1, **more):
    slopes = np.random.default_rng(seed).uniform(-9, 9, 8)
    fields = {"recording": "r", "told_by": "camera", "t_s": 9.0, "bore_m": 6.8e-3, "sight_k": 4.0, "input_k": 3.0,
              "form_k": 3.5, **more}
    return Melt(kind=kind, board=board, at_zero_c=at_zero_c, per_score_k=tuple(slopes), mark_c=mark_c, **fields)


def whole(knowledge, boards):
    """Mean and covariance of the scores here, what the chain leaves out here, and the same own of every other board."""
    n = 9 + 4 * (len(boards) - 1)
    mean, cov = np.zeros(n), np.eye(n)
    mean[:8], cov[:8, :8] = knowledge.mean, knowledge.cov
    return mean, cov


def row_of(one, boards):
    """The coldest joint's change with all that: its own board's own, the station's for all."""
    i, row = boards.index(one.board), np.zeros(9 + 4 * (len(boards) - 1))
    for k, slope in enumerate(one.per_score_k):
        row[k if i == 0 or k not in OWN else 9 + 4 * (i - 1) + OWN.index(k)] = slope
    row[8 if i == 0 else 9 + 4 * (i - 1) + 3] = one.form_k
    return row


def test_one_sight_moves_all_that_goes_with_the_joint():
    knowledge, one = base(), melt()
    learned, wrong = taught(knowledge, (one,), "here")
    (mean, cov), row = whole(knowledge, ["here"]), row_of(one, ["here"])

    variance, middle = row @ cov @ row, row @ mean
    after, left, chance = scalar_update(LAW["settled"], 214.0 + middle, math.sqrt(variance), 220.0, 5.0)  # 3, 4 and 5
    gain = cov @ row / variance
    np.testing.assert_allclose(learned.mean, (mean + gain * (after - 214.0 - middle))[:8], rtol=1e-8)
    np.testing.assert_allclose(learned.cov, (cov - np.outer(gain, gain) * (variance - left**2))[:8, :8], atol=1e-7)
    assert wrong == pytest.approx((chance,))
    assert learned.note == "prior; sights of melts that taught it: 1"


def test_without_melts_nothing_is_learned():
    knowledge = base()
    learned, wrong = taught(knowledge, (), "here")

    np.testing.assert_allclose(learned.mean, knowledge.mean)
    np.testing.assert_allclose(learned.cov, knowledge.cov, atol=1e-8)
    assert wrong == () and learned.note == "prior"


def test_sights_on_three_boards_are_learned_together():
    knowledge, boards = base(), ["here", "b", "c"]
    melts = tuple(melt(board, seed=n, at_zero_c=216.0 + n) for n, board in enumerate(("b", "here", "c", "b", "c")))
    learned, wrong = taught(knowledge, melts, "here")

    mean, cov = whole(knowledge, boards)
    for one in melts:  # each as a measurement with a sigma of 5 K; that one in twenty is wrong hardly counts here
        row = row_of(one, boards)
        gain = cov @ row / (row @ cov @ row + 25.0)
        mean = mean + gain * (one.mark_c - one.at_zero_c - row @ mean)
        cov = cov - np.outer(gain, row @ cov)
    np.testing.assert_allclose(learned.mean, mean[:8], atol=0.03)
    np.testing.assert_allclose(learned.cov, cov[:8, :8], atol=0.03)
    assert max(wrong) < 0.05


def test_sights_that_are_never_wrong_are_learned_exactly(monkeypatch):
    def product(law, mean_c, sigma_k, mark_c, noise_k):
        precision = 1 / sigma_k**2 + 1 / noise_k**2
        return (mean_c / sigma_k**2 + mark_c / noise_k**2) / precision, precision**-0.5, 0.0

    monkeypatch.setattr("monitor.heat.taught.scalar_update", product)
    knowledge, boards = base(), ["here", "b", "c"]
    melts = tuple(melt(b, seed=n, at_zero_c=190.0 + 9 * n) for n, b in enumerate(("b", "c", "here", "c", "b", "c")))
    learned, _ = taught(knowledge, melts, "here")

    (mean, cov), rows = whole(knowledge, boards), np.array([row_of(one, boards) for one in melts])
    gain = cov @ rows.T @ np.linalg.inv(rows @ cov @ rows.T + 25.0 * np.eye(6))
    told = np.array([one.mark_c - one.at_zero_c for one in melts])
    np.testing.assert_allclose(learned.mean, (mean + gain @ (told - rows @ mean))[:8], rtol=1e-6)
    np.testing.assert_allclose(learned.cov, (cov - gain @ rows @ cov)[:8, :8], atol=1e-7)


def test_sights_elsewhere_teach_nothing_of_this_boards_own():
    knowledge = Knowledge(np.zeros(8), np.eye(8))
    learned, _ = taught(knowledge, (melt("b"), melt("c", seed=2)), "here")

    np.testing.assert_allclose(learned.mean[OWN], 0.0, atol=1e-9)
    np.testing.assert_allclose(learned.cov[OWN][:, OWN], np.eye(3), atol=1e-7)
    assert (np.diag(learned.cov)[[k for k in range(8) if k not in OWN]] < 0.999).any()


def test_sight_that_is_wrong_altogether_does_no_harm():
    knowledge, good = base(), tuple(melt(seed=n) for n in range(4))
    clean, _ = taught(knowledge, good, "here")
    learned, wrong = taught(knowledge, (*good, melt(mark_c=400.0, seed=9)), "here")

    assert wrong[4] > 0.9
    np.testing.assert_allclose(learned.mean, clean.mean, atol=0.02)


def test_lesson_is_kept_with_its_crossing_and_its_spread():
    lesson = Lesson(MeltSight(7.0, "settled", "k1"), (0, 1), (0, 1), 220.0, 0.1, 3.0, 211.0, np.arange(8.0), 2.5, 1.5)
    kept = melt_of(lesson, job(), "rec")

    # settled: one second after the crossing, give or take 1.5 s; the table's liquidus within 2 K
    assert (kept.mark_c, kept.sight_k) == pytest.approx((223.0, math.hypot(4.5, 2.0)))
    assert (kept.kind, kept.recording, kept.told_by, kept.t_s) == ("settled", "rec", "k1", 7.0)
    assert kept.per_score_k == tuple(map(float, range(8)))
    assert (kept.at_zero_c, kept.input_k, kept.form_k) == (211.0, 2.5, 1.5)
    assert kept.bore_m == 6.8e-3


@pytest.mark.parametrize("bore_mm, is_same", [(6.8, True), (7.1, True), (6.5, True), (7.2, False), (6.4, False)])
def test_melts_of_a_nozzle_are_those_of_its_bore(bore_mm, is_same):
    setup = job(station=StationSetup(360.0, 5e-4, bore_m=6.8e-3))

    assert bool(melts_of((melt(bore_m=1e-3 * bore_mm),), setup)) is is_same


def test_shelf_keeps_the_newest(tmp_path):
    assert read_melts(tmp_path) == ()
    keep_melts(tmp_path / "new" / "shelf", tuple(melt(t_s=float(n)) for n in range(MOST_MELTS + 3)), "r")
    kept = read_melts(tmp_path / "new" / "shelf")

    assert len(kept) == MOST_MELTS and (kept[0].t_s, kept[-1].t_s) == (3.0, MOST_MELTS + 2.0)


@pytest.mark.parametrize("change", [{"kind": "guessed"}, {"mark_c": math.nan}, {"per_score_k": (math.inf,) * 8}])
def test_shelf_with_a_melt_that_cannot_be_is_refused(tmp_path, change):
    keep_melts(tmp_path, (replace(melt(), **change),), "r")

    with pytest.raises(InputError, match="another version"):
        read_melts(tmp_path)


def test_shelf_of_other_scores_is_refused(tmp_path):
    keep_melts(tmp_path, (melt(),), "r")
    path = tmp_path / "melts.json"
    path.write_text(path.read_text().replace('"decay"', '"decline"'))

    with pytest.raises(InputError, match="another version"):
        read_melts(tmp_path)
