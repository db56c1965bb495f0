"""What is said of how far heights can be trusted, and what would help."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from monitor.judging.tracking import nozzle_body
from monitor.setup.trust import trust_words
from tests.engine.make import sample_inputs
from tests.vision.drawn import looking_down
from vision.calibrate.nozzle_file import load_nozzle


def words(measured_sigma_mm=0.0, away=1.0, **changes):
    """The lines for the sample's nozzle, with another calibration or from another distance."""
    inputs = sample_inputs()
    found = replace(load_nozzle(inputs.nozzle_path), **changes)
    from_bench = looking_down(y_mm=190.0 * away, z_mm=330.0 * away)
    place = np.array([*np.mean(inputs.job.target.outline_mm, axis=0), inputs.job.board.top_height_mm])
    return trust_words(found, inputs.camera, nozzle_body(inputs.job), from_bench, place, measured_sigma_mm)


def sigma_mm(lines):
    """Over something lighter and darker, as the first line tells them."""
    parts = lines[0].replace(",", "").split()
    return tuple(float(a) for a, unit in itertools.pairwise(parts) if unit == "mm")


def test_the_first_line_tells_two_sigmas_and_that_they_are_estimates():
    lines = words()

    assert len(sigma_mm(lines)) == 2 and all(0.05 < s < 3.0 for s in sigma_mm(lines))
    assert "estimate" in lines[0]


def test_heights_twice_as_far_away_are_known_four_to_six_times_less_well():
    near, far = (np.array(sigma_mm(words(away=away))) for away in (1.0, 2.0))

    # where edges appear costs as the square of the distance, noise as its power 2.5: there are half as many edge points
    assert ((far / near > 3.9) & (far / near < 2**2.5 + 0.1)).all()


@pytest.mark.parametrize(("changes", "told", "is_told"), [
    ({"height_error_rms_mm": 0.1}, "were missed by", False),
    ({"height_error_rms_mm": 9.0}, "were missed by 9.00 mm", True),
    ({"height_error_rms_mm": float("nan")}, "were missed by", False),
    ({"n_photos": 5}, "only 5 photographs speak", True),
    ({"n_photos": 6}, "photographs speak", False),
    ({"measured_sigma_mm": 0.0}, "the photographs give only", False),
    ({"measured_sigma_mm": 8.0}, "the photographs give only", True),
])
def test_what_speaks_against_the_calibration_is_told_and_nothing_else(changes, told, is_told):
    assert any(told in line for line in words(**changes)) is is_told


def test_heights_missed_by_little_more_than_one_sigma_are_no_reproach():
    worst = max(sigma_mm(words()))

    assert not any("were missed by" in line for line in words(height_error_rms_mm=1.8 * worst))
    assert any("were missed by" in line for line in words(height_error_rms_mm=2.3 * worst))


def test_what_would_help_comes_best_first_and_each_is_better_than_now():
    worst, gains = max(sigma_mm(words())), [line for line in words() if " instead of " in line]
    better = [float(line.rpartition(": ")[2].split()[0]) for line in gains]

    assert better and better == sorted(better) and max(better) < worst
