"""How far a track is believed, and what is told of it."""

import numpy as np
import pytest

from vision.belief import Belief
from vision.types import TrackStatus


@pytest.mark.parametrize("quality, is_metal, counts", [(0.5, False, 1.0), (0.36, False, 0.25), (0.36, True, 1.0), (0.26, True, 0.25),
                                                       (0.26, False, 0.0)])
def test_a_sighting_of_what_looks_like_the_metal_counts_as_one_of_more_shape(quality, is_metal, counts):
    assert Belief(sightings=1.0).sighted(quality, is_metal).sightings == 1.0 + counts


@pytest.mark.parametrize("height_mm, lean_deg, status", [(2.0, 1.0, TrackStatus.TRACKING), (8.0, 1.0, TrackStatus.VAGUE),
                                                         (2.0, 4.0, TrackStatus.VAGUE)])
def test_a_height_is_told_when_it_and_the_lean_are_known_well_enough(height_mm, lean_deg, status):
    assert Belief(sightings=5.0).judged(1.0, height_mm, np.radians(lean_deg), False)[1] is status


@pytest.mark.parametrize("told_before_s, is_untold, status", [(0.07, False, TrackStatus.TRACKING), (0.2, False, TrackStatus.VAGUE),
                                                              (0.07, True, TrackStatus.VAGUE)])
def test_a_doubt_of_a_picture_or_two_needs_no_settling_but_on_another_track(told_before_s, is_untold, status):
    belief = Belief(sightings=50.0, t_vague_s=0.97, t_told_s=1.0 - told_before_s, is_untold=is_untold)

    assert belief.judged(1.0, 2.0, 0.01, False)[1] is status
