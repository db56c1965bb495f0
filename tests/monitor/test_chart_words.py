"""What the charts show, in words: numbers that the path itself gives."""

import numpy as np
import pytest

from monitor.review.chart_words import heat_words, height_words, joint_words, map_words
from tests.monitor.made_recording import make_recording, two_passes
from tests.monitor.make import job

MADE_S = 6.5


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    return make_recording(tmp_path_factory.mktemp("words") / "lesson", heat=True)


def test_heights_are_told_as_they_were(recording):
    heights = np.array([two_passes(t)[2] for t in recording.frames["t_s"]])  # limits of the job: 5 to 25 mm
    inside = round(100 * np.mean((heights >= 5) & (heights <= 25)))

    words = height_words(recording, job())

    assert "from 9 to 45 mm" in words and "half of the time below 12 mm" in words
    assert f"{inside} % of the measured frames inside the allowed 5 to 25 mm" in words and "2 passes." in words


def test_a_height_exactly_at_a_limit_is_allowed(tmp_path):
    for height_mm in (5.0, 25.0):
        at_limit = make_recording(tmp_path / f"at_{height_mm:g}", lambda t, h=height_mm: (0.0, 0.0, h), 1.0)

        assert "100 % of the measured frames inside" in height_words(at_limit, job())


def test_a_recording_without_a_nozzle_says_that_no_height_was_measured(tmp_path):
    assert "no height was measured" in height_words(make_recording(tmp_path / "none", lambda t: None, 1.0), job())


def test_peaks_and_heat_are_those_of_the_rows_with_their_bands(recording):
    peak = max((row["temp_c"]["joint centre"] for row in recording.heat), key=lambda band: band[1])
    low, middle, high = recording.heat[-1]["energy_j"][job().target.name]

    words = heat_words(recording, job())

    assert f"joints' centre peaks at about {peak[1]:.0f} C ({peak[0]:.0f} to {peak[2]:.0f})" in words
    assert f"takes about {middle:.0f} J since the start ({low:.0f} to {high:.0f})" in words


def test_the_highest_place_of_the_dwell_map_lies_under_the_jet(recording):
    words = map_words(recording, "dwell", "Dwell")
    x, y = (float(words.partition(f"{axis} ")[2].split()[0].rstrip(",")) for axis in (" x", " y"))

    assert words.startswith("Dwell: highest, 3 s")  # twice 1.5 s
    assert np.hypot(x - 0.5, y) < 0.5 * job().nozzle.outer_diameter_mm  # the passes stood at 0 and at 1 mm


def test_a_map_that_is_not_there_is_not_made_up(recording):
    assert map_words(recording, "nothing", "Nothing") == "Nothing: nothing is known."


def test_other_settings_are_told_beside_what_was_recorded(recording):
    kept = {"joint_c": [[0.0, 40.0, 50.0, 60.0], [1.0, 90.0, 101.0, 112.0]], "words": "with 420 C"}

    words = joint_words(recording, kept)

    assert "at about 101 C with 420 C" in words and "as recorded" in words and "estimated" in words
