"""What the charts draw: the numbers of the recording at their times, limits, passes, warnings and maps."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from monitor.review.charts import (
    heat_figure,
    height_figure,
    joint_figure,
    map_figure,
    png_of,
    stored_map_figure,
    svg_of,
)
from monitor.review.traces import BoardMap
from tests.monitor.made_recording import make_recording
from tests.monitor.make import job


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    return make_recording(tmp_path_factory.mktemp("charts") / "r", heat=True)


def line(axes, label):
    return next(one for one in axes.lines if one.get_label() == label)


def band(axes, label=None):
    """Lower and upper edge of a filled band, by its corners."""
    area = next(one for one in axes.collections if label is None or one.get_label() == label)
    return area.get_paths()[0].vertices


def test_heights_are_drawn_with_their_band_of_ninety_per_cent(recording):
    _, axes = height_figure(recording, job()).axes
    drawn, f = line(axes, "height of the outlet over the board"), recording.frames
    seen = f["seen"] > 0

    t, height = drawn.get_xdata(), drawn.get_ydata()
    np.testing.assert_allclose(height[np.isfinite(height)], f["height_mm"][seen])
    corners = band(axes, "90 % band")
    k = int(np.flatnonzero(seen)[5])
    at = np.isclose(corners[:, 0], f["t_s"][k])
    expected = f["height_mm"][k] + np.array([-1.645, 1.645]) * f["height_sigma_mm"][k]
    assert [corners[at, 1].min(), corners[at, 1].max()] == pytest.approx(expected.tolist())
    assert axes.get_xlim() == (t[0], t[-1])


def test_the_limits_are_drawn_and_named(recording):
    _, axes = height_figure(recording, job()).axes

    words = {t.get_text(): t.xy[1] for t in axes.texts}
    assert words == {"lowest allowed 5 mm": 5, "highest allowed 25 mm": 25}
    low, high = axes.get_ylim()
    # 98 % of the heights lie below 45 mm: a little above that, and at least above the limit
    assert low == 0.0 and high == pytest.approx(1.15 * np.nanpercentile(recording.frames["height_mm"], 98))


def test_passes_and_warnings_have_a_lane_each(recording):
    warnings = [{"kind": "too_far", "t_start_s": 1.0, "t_end_s": 1.5}, {"kind": "drift", "t_start_s": 3.0,
                                                                       "t_end_s": None}]
    lanes, _ = height_figure(replace(recording, warnings=warnings), job()).axes

    spans = sorted((round(p.get_y() + p.get_height() / 2), round(p.get_x(), 3), round(p.get_x() + p.get_width(), 3))
                   for p in lanes.patches)
    end = round(float(recording.frames["t_s"][-1]), 3)
    passes = [(0, round(p["t_start_s"], 3), round(p["t_end_s"], 3)) for p in recording.passes]
    assert spans == [*passes, (1, 3.0, end), (2, 1.0, 1.5)]  # in order of their names
    assert [t.get_text() for t in lanes.get_yticklabels()] == ["passes", "drift", "too far"]
    assert [t.get_text() for t in lanes.texts] == ["1", "2"]
    assert lanes.texts[0].get_position()[0] == pytest.approx(sum(passes[0][1:]) / 2, abs=1e-3)


def test_temperatures_and_heat_are_drawn_at_the_times_of_their_frames(recording):
    temp, energy = heat_figure(recording, job()).axes
    times = dict(zip(recording.frames["frame"].tolist(), recording.frames["t_s"].tolist(), strict=True))
    t = [times[row["frame"]] for row in recording.heat]

    for axes, label, key, name in ((temp, "joint centre", "temp_c", "joint centre"),
                                   (temp, "package top", "temp_c", "package top"), (energy, "U7", "energy_j", "U7")):
        drawn = line(axes, label)
        np.testing.assert_allclose(drawn.get_xdata(), t)
        np.testing.assert_allclose(drawn.get_ydata(), [row[key][name][1] for row in recording.heat])
    low, high = band(temp)[:, 1].min(), band(temp)[:, 1].max()
    joint = np.array([row["temp_c"]["joint centre"] for row in recording.heat])
    assert (low, high) == (pytest.approx(joint[:, 0].min()), pytest.approx(joint[:, 2].max()))


def test_without_an_estimate_there_is_no_chart_of_heat(recording):
    bare = replace(recording, heat=[])

    assert heat_figure(bare, job()) is None and joint_figure(bare, [[0.0, 1.0, 2.0, 3.0]], "450 C") is None
    assert joint_figure(recording, [], "450 C") is None


def test_what_would_have_been_is_drawn_beside_what_was(recording):
    curve = [[0.5, 30.0, 40.0, 50.0], [1.5, 60.0, 80.0, 100.0]]
    axes, = joint_figure(recording, curve, "450 C").axes

    other = line(axes, "with 450 C")
    assert other.get_xydata().tolist() == [[0.5, 40.0], [1.5, 80.0]]
    np.testing.assert_allclose(line(axes, "as recorded").get_ydata(),
                               [row["temp_c"]["joint centre"][1] for row in recording.heat])


@pytest.mark.parametrize(("is_time", "shown"), [(True, [0.3, 5.0, 10.0]), (False, [5.0, 10.0])])
def test_a_map_leaves_no_time_and_the_coolest_clear(is_time, shown):
    cells = np.array([[0.0, 0.3], [5.0, 10.0], [np.nan, 0.0]])
    image = map_figure(job(), BoardMap((-2.0, 2.0, -3.0, 3.0), cells, "s" if is_time else "K"), "", None,
                       None).axes[0].images[0]

    assert sorted(image.get_array().compressed().tolist()) == shown  # 3 % of 10 are 0.3
    assert tuple(image.get_extent()) == (-2.0, 2.0, -3.0, 3.0) and image.origin == "lower"


def test_a_map_without_a_known_cell_is_empty():
    image = map_figure(job(), BoardMap((0, 1, 0, 1), np.full((2, 2), np.nan), "K"), "", None, None).axes[0].images[0]

    assert image.get_array().mask.all()


def test_regions_are_closed_and_named_on_a_map():
    axes = map_figure(job(), BoardMap((0, 1, 0, 1), np.zeros((2, 2)), "s"), "", None, None).axes[0]

    target = axes.lines[1].get_xydata().tolist()
    assert target == [[-5, -5], [5, -5], [5, 5], [-5, 5], [-5, -5]]
    assert [(t.get_text(), t.xy) for t in axes.texts] == [("U7", (-1.0, 5)), ("connector", (12.4, 3))]


def test_a_picture_lies_under_the_map_and_bounds_it():
    picture = np.zeros((4, 6, 3), np.uint8)
    box = (-30.0, 30.0, -20.0, 20.0)
    axes = map_figure(job(), BoardMap((0, 1, 0, 1), np.ones((2, 2)), "s"), "", picture, box).axes[0]

    assert tuple(axes.images[0].get_extent()) == box
    assert axes.get_xlim() == (-30.0, 30.0) and axes.get_ylim() == (-20.0, 20.0)


def test_a_stored_map_lies_where_its_grid_says():
    stored = {"left_mm": -7.0, "bottom_mm": 2.0, "step_mm": 0.5, "nx": 4, "ny": 3, "cells": np.ones((3, 4))}
    recording = SimpleNamespace(maps={"dwell": stored}, picture_extent_mm=None)

    figure = stored_map_figure(recording, job(), "dwell", None)

    assert tuple(figure.axes[0].images[0].get_extent()) == (-7.0, -5.0, 2.0, 3.5)
    assert figure.axes[1].get_ylabel() == "jet over the spot, s"
    assert stored_map_figure(recording, job(), "board_top", None) is None


def test_pictures_are_as_large_as_asked_and_the_same_each_time(recording):
    figure = map_figure(job(), BoardMap((0, 1, 0, 1), np.ones((2, 2)), "s"), "", None, None)
    png = png_of(figure, 50.0)

    assert png[16:24] == (260).to_bytes(4, "big") + (250).to_bytes(4, "big")  # 5.2 x 5.0 in
    assert svg_of(height_figure(recording, job())) == svg_of(height_figure(recording, job()))
