"""The measures of a pass's melt, as export and compare give them."""

import csv
import json
import math
import sqlite3

import pytest

from monitor.job import parse_job
from monitor.recording.export import export_csv
from monitor.recording.melting import joint_margin_k, melt_s
from monitor.recording.reader import open_recording
from monitor.repeat.compare.passes import read_job, read_passes
from tests.monitor.made_recording import make_recording


def event(t_start_s, kind="settled", part="U3"):
    return {"t_start_s": t_start_s, "part": part, "kind": kind}


def mark(t_s, kind="molten", undone=None):
    return {"t_s": t_s, "kind": kind, "undone_utc": undone}


def test_the_first_sight_counts_whoever_had_it():
    assert melt_s(10.0, 60.0, "U3", [event(42.0), event(47.0, "sprang_back")], [mark(40.5)]) == 30.5


@pytest.mark.parametrize("events, marks", [
    ([], []), ([event(42.0, part="C1")], []), ([event(42.0, "moved")], []), ([event(5.0)], []), ([event(70.0)], []),
    ([], [mark(42.0, "solid")]), ([], [mark(42.0, undone="2026-03-02T09:00:00+00:00")]),
], ids=["nothing", "another part", "only moved", "before the pass", "long after it", "solid", "taken back"])
def test_what_is_no_sight_of_its_melt_leaves_it_unknown(events, marks):
    assert math.isnan(melt_s(10.0, 60.0, "U3", events, marks))


def test_the_margin_is_that_of_the_hottest_moment_with_its_band():
    bands = [(180.0, 200.0, 220.0), (205.0, 229.0, 250.0), (None, None, None), (190.0, 210.0, 231.0)]

    assert joint_margin_k(bands, 217.0) == (-12.0, 12.0, 33.0)
    assert all(map(math.isnan, joint_margin_k([], 217.0)))


@pytest.fixture(scope="module")
def melted(tmp_path_factory):
    """A recording whose target settled 1.5 s into its first pass."""
    folder = make_recording(tmp_path_factory.mktemp("melt") / "rec", heat=True).folder
    target = read_job(folder).target.name
    with sqlite3.connect(folder / "trace.sqlite") as db:
        start = db.execute("SELECT min(t_start_s) FROM passes").fetchone()[0]
        db.execute("INSERT INTO part_events (t_s, t_start_s, part, kind) VALUES (?, ?, ?, 'settled')",
                   (start + 1.9, start + 1.5, target))
    return folder


def test_compare_and_export_say_the_same(melted, tmp_path):
    export_csv(open_recording(melted), tmp_path)
    with (tmp_path / "passes.csv").open() as file:
        exported = list(csv.DictReader(file))
    compared = read_passes(melted, read_job(melted))

    assert compared[0].values["melt_s"] == pytest.approx(1.5) == float(exported[0]["melt_s"])
    assert all(math.isnan(p.values["melt_s"]) for p in compared[1:])
    assert all(row["melt_s"] == "" for row in exported[1:])
    for row, one in zip(exported, compared, strict=True):
        assert float(row["joint_margin_k"]) == pytest.approx(one.values["joint_margin_k"])


def test_the_margin_is_the_hottest_coldest_joint_of_the_trace(melted):
    recording = open_recording(melted)
    one = read_passes(melted, parse_job(recording.job_text, ""))[0]
    with sqlite3.connect(melted / "trace.sqlite") as db:
        rows = db.execute("SELECT temp_c FROM heat JOIN frames USING (frame) WHERE t_s BETWEEN ? AND ?",
                          (one.t_start_s, one.t_end_s)).fetchall()
    hottest = max(json.loads(text)["joint corner"][1] for (text,) in rows)

    assert one.values["joint_margin_k"] == pytest.approx(hottest - 220.0)  # SAC305, makers' data sheets
