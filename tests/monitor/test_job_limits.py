"""A job file is taken at every limit and refused beyond it, with its key."""

from __future__ import annotations

import copy
import tomllib

import pytest
import tomli_w

from monitor.errors import JobError
from monitor.job import job_hash, job_text, parse_job
from tests.monitor.make import JOB_TEXT

PLAIN = tomllib.loads(JOB_TEXT)


def job_with(path, value):
    """The plain job with one key set; path: keys and places, parted by points."""
    data = copy.deepcopy(PLAIN)
    *way, last = [int(p) if p.isdigit() else p for p in path.split(".")]
    at = data
    for key in way:
        at = at[key] if isinstance(key, int) else at.setdefault(key, {})
    at[last] = value
    return parse_job(tomli_w.dumps(data))


def refused(path, value, *says):
    with pytest.raises(JobError) as fault:
        job_with(path, value)
    assert all(word in str(fault.value) for word in says), str(fault.value)


@pytest.mark.parametrize("path, low, high", [
    ("board.top_height_mm", 0.2, 80), ("board.thickness_mm", 0.1, 10), ("board.start_c", -20, 260),
    ("board.start_top_c", -20, 260), ("board.start_below_c", -20, 260), ("target.height_mm", 0.05, 60),
    ("target.mass_g", 1e-4, 500), ("target.limit_c", 30, 400), ("target.vias", 0, 2000),
    ("neighbour.0.height_mm", 0, 60), ("neighbour.0.limit_c", 30, 400), ("nozzle.tube_length_mm", 2, 200),
    ("nozzle.bend_deg", 0, 100), ("station.setpoint_c", 50, 600), ("station.airflow_l_min", 1, 250),
    ("station.airflow_reference_c", -20, 100), ("station.ambient_c", -20, 60), ("limits.dwell_s", 0.5, 3600),
    ("limits.part_c", 30, 400), ("limits.underside_c", 30, 400), ("limits.ramp_k_s", 0.05, 50),
    ("matters.height_mm", 0.1, 50), ("matters.dwell_share", 0.01, 1), ("matters.tilt_deg", 1, 90)])
def test_number_is_taken_at_both_ends_and_refused_beyond(path, low, high):
    step = 1 if path.endswith("vias") else 1e-3 * (high - low) if low > 0.01 or low <= 0 else low / 2
    for value in (low, high):
        assert job_with(path, value)
    for value in (low - step, high + step):
        refused(path, value, path.split(".")[-1])


def test_number_that_is_too_hot_may_be_in_fahrenheit():
    refused("station.setpoint_c", 680, "must lie between 50 and 600 C, got 680; is it in Fahrenheit?")
    with pytest.raises(JobError) as fault:
        job_with("station.setpoint_c", 20)
    assert "Fahrenheit" not in str(fault.value)
    with pytest.raises(JobError) as fault:
        job_with("station.airflow_l_min", 300)
    assert "Fahrenheit" not in str(fault.value)


CORNERS = [[-140, -100], [140, -100], [140, 100], [-140, 100]]  # the whole mat


def test_outline_may_reach_to_the_rim_of_the_mat():
    assert job_with("target.outline_mm", CORNERS).target.outline_mm[0] == (-140.0, -100.0)


@pytest.mark.parametrize("corner", [[-140.1, -100], [-140, -100.1]])
@pytest.mark.parametrize("place, sign", [(0, 1), (2, -1)])
def test_outline_beyond_the_mat_is_refused(corner, place, sign):
    outline = copy.deepcopy(CORNERS)
    outline[place] = [sign * v for v in corner]

    refused("target.outline_mm", outline, "leaves the mat", "-140 to 140 in x and -100 to 100 in y")


def test_outline_needs_three_corners_that_differ_and_an_area():
    assert job_with("target.outline_mm", [[0, 0], [1, 0], [1, 0.5]])  # a quarter of a square millimetre
    refused("target.outline_mm", [[0, 0], [1, 0], [1, 0.499]], "less than 0.25 mm2")
    refused("target.outline_mm", [[0, 0], [1, 0], [0, 0]], "three different corners")
    refused("target.outline_mm", [[0, 0], [4, 4], [4, 0], [0, 4]], "crosses or touches itself")


def test_lowest_height_lies_below_the_highest():
    assert job_with("limits.height_mm", [0, 200]).limits.height_mm == (0.0, 200.0)
    refused("limits.height_mm", [9, 9], "must be below")
    with pytest.raises(JobError) as fault:
        job_with("limits.height_mm", [9, 5])
    assert str(fault.value) == (
        "job: limits.height_mm: the first (lowest) must be below the second (highest), got 9 and 5")


def test_profile_has_radii_and_distances_that_do_not_fall():
    assert job_with("nozzle.profile_mm", [[4, 0], [60, 28], [9, 28]])
    refused("nozzle.profile_mm", [[4, 0], [60.1, 28]], "between 0 and 60")
    refused("nozzle.profile_mm", [[4, 0], [0, 28]], "between 0 and 60")
    refused("nozzle.profile_mm", [[4, 0], [4, 28], [9, 27.9]], "must not fall")


def test_bore_fits_into_the_nozzle_and_the_profile_begins_with_its_radius():
    assert job_with("nozzle.bore_diameter_mm", 7.9)
    refused("nozzle.bore_diameter_mm", 8.0, "must be smaller than outer_diameter_mm 8")
    for radius in (3.61, 4.39):
        assert job_with("nozzle.profile_mm", [[radius, 0], [radius, 28], [9, 36]])
    for radius in (3.59, 4.41):
        refused("nozzle.profile_mm", [[radius, 0], [radius, 28], [9, 36]], "means 4")


def test_barrel_fits_into_its_drill():
    assert job_with("target.via_drill_mm", 0.05)  # of two barrels of 25 um
    data = job_with("target.via_barrel_um", 100)  # in 0.3 mm
    assert data.target.via_barrel_um == 100
    refused("target", {**PLAIN["target"], "via_barrel_um": 26, "via_drill_mm": 0.05}, "more than half")


def test_every_copper_layer_has_its_cover():
    assert job_with("board.copper_cover", [0.5, 1.0]).board.copper_cover == (0.5, 1.0)
    refused("board.copper_cover", [0.5], "names 1 layers, copper_um 2")


def test_regions_have_names_of_their_own():
    refused("neighbour.0.name", "U7", "two regions are called 'U7'")
    data = copy.deepcopy(PLAIN)
    del data["neighbour"][0]["name"]
    data["neighbour"].append({"outline_mm": [[20, 0], [22, 0], [22, 2]]})
    job = parse_job(tomli_w.dumps(data))

    assert job.neighbour_names == ("neighbour 1", "neighbour 2")
    assert job.outlines_mm == (job.target.outline_mm, *(n.outline_mm for n in job.neighbour))


@pytest.mark.parametrize("kind, key", [("shield_above", "gap_mm"), ("gap_below", "gap_mm"), ("metal_block", "mass_g"),
                                       ("preheater", "temp_c")])
def test_protection_has_what_it_needs(kind, key):
    assert job_with("protection", [{"kind": kind, key: 40}])
    refused("protection", [{"kind": kind}], f"also needs {key}", "protection[1]")
    assert job_with("protection", [{"kind": "tape"}])


def test_criterion_asks_for_a_range_or_one_end():
    made = job_with("rubric", [{"name": "a", "measure": "dwell_s", "at_least": 2.0},
                               {"name": "b", "measure": "dwell_s", "at_most": 5.0}]).rubric

    assert [(c.least, c.most) for c in made] == [(2.0, float("inf")), (float("-inf"), 5.0)]
    assert job_with("rubric", [{"name": "a", "measure": "dwell_s", "at_least": 2.0, "at_most": 2.1}])
    refused("rubric", [{"name": "a", "measure": "dwell_s"}], "rubric[1]", "needs at_least")
    refused("rubric", [{"name": "a", "measure": "dwell_s", "at_least": 2.0, "at_most": 2.0}], "must be below")


@pytest.mark.parametrize("path, value, says", [
    ("board.colour", "green", "board.colour: unknown key"),
    ("board.thickness_mm", "thin", "must be a number, got 'thin'"),
    ("board.thickness_mm", float("nan"), "must be a finite number"), ("target.kind", "tube", "must be 'chip'"),
    ("neighbour.0.outline_mm", [[0, 0], [1, "x"], [1, 1]], "neighbour[1].outline_mm[2][2]: must be a number"),
    ("target.name", "", "target.name"), ("board.thickness_mm", "x" * 60, "'" + "x" * 36 + "...")])
def test_fault_is_told_with_its_key_and_what_was_given(path, value, says):
    refused(path, value, says)


def test_value_of_forty_signs_is_told_whole():
    refused("board.thickness_mm", "x" * 38, "'" + "x" * 38 + "'")
    refused("board.thickness_mm", "x" * 39, "'" + "x" * 36 + "...")


def test_several_faults_are_told_at_once():
    data = copy.deepcopy(PLAIN)
    data["station"]["setpoint_c"], data["limits"]["dwell_s"] = 9999, 0
    del data["board"]["top_height_mm"]

    with pytest.raises(JobError, match=r"^job: 3 faults: board.top_height_mm: missing \| ") as fault:
        parse_job(tomli_w.dumps(data))
    assert str(fault.value).count(" | ") == 2


def test_job_comes_back_from_its_own_text():
    job = job_with("board.cutout_mm", [[[20, 0], [24, 0], [24, 4]]])

    assert parse_job(job_text(job)) == job
    assert len(job_hash("a")) == 16 and job_hash("a") != job_hash("b")
