"""The recording on disk: whole or not there, read back as written, recovered after a crash."""

import csv
import json
import shutil
import sqlite3
from dataclasses import replace

import numpy as np
import pytest

from monitor.engine.rerun import rerun, stored_results
from monitor.errors import InputError
from monitor.heat.estimate import HeatEstimator
from monitor.job import parse_job
from monitor.judging.exposure import heat_setup
from monitor.judging.pipeline import Judge
from monitor.recording import schema
from monitor.recording.export import export_csv, safe_cell
from monitor.recording.reader import open_recording
from monitor.recording.recorder import COMMIT_EVERY_S, Origin, Recorder
from monitor.review.report import report_html
from tests.monitor.make import JOB_TEXT, hover, job, track
from tests.monitor.make import result as seen
from vision.types import TrackStatus

ORIGIN = Origin(JOB_TEXT, "# camera\n", "# nozzle\n")


def path(t):
    return None if 1.5 < t < 1.7 else (0, 0, 12) if t < 2.0 else (13, 0, 12) if t < 3.0 else (0, 0, 30)


def record(folder, *, heat=False, duration_s=4.5, **options):
    judge = Judge(job(), HeatEstimator(heat_setup(job())) if heat else None)
    with Recorder(folder, ORIGIN, **options) as recorder:
        for result in hover(judge, (duration_s, path), rate_hz=20):
            recorder.add(result)
        if (last := judge.finish()) is not None:
            recorder.add_pass(last)
        for warning in judge.alerts.standing:
            recorder.add_warning(warning)
    return open_recording(folder)


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    return record(tmp_path_factory.mktemp("rec") / "one", heat=True)


def test_heights_come_back_as_measured(recording):
    frames = recording.frames
    np.testing.assert_allclose(frames["height_mm"][frames["t_s"] < 1.4], 12.0, atol=1e-9)


def test_an_unmeasured_frame_stays_unknown(recording):
    frames = recording.frames
    assert np.isnan(frames["height_mm"][frames["seen"] == 0]).all() and (frames["seen"] == 0).any()


def test_the_job_is_kept_to_the_letter(recording):
    assert (recording.folder / "job.toml").read_text() == JOB_TEXT


def test_a_closed_trace_is_one_plain_file_of_ours(recording):
    assert not list(recording.folder.glob("*.sqlite-*"))
    with sqlite3.connect(recording.folder / "trace.sqlite") as db:
        assert db.execute("PRAGMA application_id").fetchone()[0] == schema.APPLICATION_ID
        assert db.execute("PRAGMA journal_mode").fetchone()[0] == "delete"


def test_meta_json_tells_state_and_hashes(recording):
    meta = json.loads((recording.folder / "meta.json").read_text())
    assert meta["state"] == "closed" and meta["frames"] == 90 and len(meta["hashes"]["job.toml"]) == 64


def test_a_folder_with_other_things_is_never_overwritten(tmp_path):
    (tmp_path / "letter.txt").write_text("mine")

    with pytest.raises(InputError, match="not empty and no recording"):
        record(tmp_path, force=True)
    assert (tmp_path / "letter.txt").read_text() == "mine"


def test_a_recording_is_replaced_only_when_forced(tmp_path):
    record(tmp_path / "r", duration_s=1.0)

    with pytest.raises(InputError, match="--force"):
        record(tmp_path / "r")
    assert len(record(tmp_path / "r", force=True, duration_s=2.0).frames["t_s"]) == 40


def test_a_fault_in_the_middle_leaves_nothing(tmp_path):
    with pytest.raises(RuntimeError), Recorder(tmp_path / "r", ORIGIN):
        raise RuntimeError("camera caught fire")

    assert list(tmp_path.iterdir()) == []


def test_a_recording_cut_off_is_recovered_but_for_the_last_half_second(tmp_path):
    recorder = Recorder(tmp_path / "r", ORIGIN)
    for result in hover(Judge(job()), (3.0, path), rate_hz=20):
        recorder.add(result)
    shutil.copytree(recorder.part, tmp_path / "crashed")  # as the disk looks when the power goes
    recorder.abandon()

    found = open_recording(tmp_path / "crashed")

    assert found.meta["state"] == "recovered"
    assert found.frames["t_s"][-1] >= 2.95 - COMMIT_EVERY_S - 0.05


def test_a_trace_of_a_newer_program_is_refused(tmp_path):
    made = record(tmp_path / "r", duration_s=0.5)
    with sqlite3.connect(made.folder / "trace.sqlite") as db:
        db.execute(f"PRAGMA user_version = {schema.VERSION + 1}")

    with pytest.raises(InputError, match="newer program"):
        open_recording(made.folder)


def test_a_damaged_trace_is_refused_in_one_line(tmp_path):
    (tmp_path / "trace.sqlite").write_bytes(b"no database at all" * 100)

    with pytest.raises(InputError, match="damaged"):
        open_recording(tmp_path)


def test_exported_columns_hold_what_a_scorer_needs(recording, tmp_path):
    export_csv(recording, tmp_path)
    with (tmp_path / "track.csv").open() as handle:
        row = next(csv.DictReader(handle))

    assert {"t_s", "seen", "tip_x_mm", "tip_y_mm", "tip_z_mm", "height_mm", "height_sigma_mm", "aim_x_mm", "aim_y_mm",
            "tilt_deg"} <= row.keys()
    assert float(row["height_mm"]) == pytest.approx(12.0)


def test_a_nozzle_seen_in_part_is_exported_as_seen_and_without_a_height(tmp_path):
    judge = Judge(job())
    with Recorder(tmp_path / "r", ORIGIN) as recorder:
        for k, status in enumerate((TrackStatus.TRACKING, TrackStatus.VAGUE, TrackStatus.TENTATIVE)):
            recorder.add(judge.step(seen(k, replace(track(k / 20, (0, 0, 15)), status=status))))
    export_csv(open_recording(tmp_path / "r"), tmp_path)
    with (tmp_path / "track.csv").open() as handle:
        rows = [(row["seen"], row["status"], bool(row["height_mm"])) for row in csv.DictReader(handle)]

    assert rows == [("1", "tracking", True), ("1", "vague", False), ("0", "tentative", False)]


def test_exported_warnings_have_an_open_end_when_they_still_stand(recording, tmp_path):
    export_csv(recording, tmp_path)
    with (tmp_path / "warnings.csv").open() as handle:
        rows = {r["kind"]: r for r in csv.DictReader(handle)}

    assert rows["drift"]["region"] == "connector" and rows["too_far"]["t_end_s"] == ""


@pytest.mark.parametrize("text", ["=1+1", "+1", "-cmd", "@x", "\tx", "\rx"])
def test_text_that_looks_like_a_formula_is_made_harmless(text):
    assert safe_cell(text).startswith("'")


def test_a_negative_number_stays_a_number():
    assert safe_cell(-1.5) == -1.5 and safe_cell(float("nan")) == ""


def test_the_report_needs_nothing_from_outside(recording):
    html = report_html(recording)

    assert "<script" not in html and "<link" not in html and 'src="http' not in html and "@import" not in html
    assert "ESD" in html and "90 % band" in html


def test_the_report_escapes_what_a_job_says(tmp_path):
    evil = Origin('title = "<script>alert(1)</script>"\n' + JOB_TEXT, "", "")
    with Recorder(tmp_path / "r", evil) as recorder:
        for result in hover(Judge(job()), (0.5, path)):
            recorder.add(result)

    assert "<script>" not in report_html(open_recording(tmp_path / "r"))


def test_a_rerun_under_the_same_job_gives_the_same_warnings(recording, tmp_path):
    again = rerun(recording, job(), JOB_TEXT, tmp_path / "again")

    assert [(w["kind"], w["t_start_s"]) for w in again.warnings] == [(w["kind"], w["t_start_s"])
                                                                     for w in recording.warnings]


def test_a_rerun_under_wider_limits_drops_the_warning(recording, tmp_path):
    text = JOB_TEXT.replace("[5, 25]", "[5, 40]")
    again = rerun(recording, parse_job(text), text, tmp_path / "again")

    assert "too_far" in {w["kind"] for w in recording.warnings}
    assert "too_far" not in {w["kind"] for w in again.warnings}


def test_a_hotter_station_delivers_more_heat_in_a_rerun(recording, tmp_path):
    text = JOB_TEXT.replace("setpoint_c = 360", "setpoint_c = 450")
    again = rerun(recording, parse_job(text), text, tmp_path / "again")

    assert again.heat[-1]["energy_j"]["U7"][1] > 1.15 * recording.heat[-1]["energy_j"]["U7"][1]


def test_the_trace_gives_back_every_frame_of_vision(recording):
    assert len(list(stored_results(recording))) == len(recording.frames["t_s"])


def turned(folder):
    """A recording in which the setpoint was turned up to 450 C at 1 s."""
    judge = Judge(job(), HeatEstimator(heat_setup(job())))
    with Recorder(folder, ORIGIN) as recorder:
        for i in range(60):
            if i == 20:
                judge.set_station(450.0)
                recorder.add_station(1.0, 450.0, None)
            recorder.add(judge.step(seen(i, track(i / 20, (0, 0, 18)))))
        recorder.add_drop(2.0, 3, "busy")
    return open_recording(folder)


@pytest.mark.parametrize(("turned_to", "said"), [
    ({"airflow_l_min": 60.0}, ("airflow_l_min = 30", "airflow_l_min = 60")),
    ({"setpoint_c": 420.0}, ("setpoint_c = 360", "setpoint_c = 420")),
])
def test_a_knob_turned_before_the_work_heats_as_a_job_that_says_so(turned_to, said):
    def energy_j(text, knobs):
        judge = Judge(parse_job(text), HeatEstimator(heat_setup(parse_job(text))))
        judge.set_station(**knobs)
        results = [judge.step(seen(i, track(i / 20, (0, 0, 18)))) for i in range(20)]
        return results[-1].heat.energy_j["U7"].mid

    assert said[0] in JOB_TEXT
    as_said = energy_j(JOB_TEXT.replace(*said), {})
    assert energy_j(JOB_TEXT, turned_to) == pytest.approx(as_said, rel=1e-9)
    assert as_said > 1.02 * energy_j(JOB_TEXT, {})


def test_a_rerun_turns_the_knobs_as_they_were_turned_and_can_be_rerun_itself(tmp_path):
    first = turned(tmp_path / "first")
    again = rerun(first, job(), JOB_TEXT, tmp_path / "again")
    twice = rerun(again, job(), JOB_TEXT, tmp_path / "twice")

    assert again.heat[-1]["energy_j"] == first.heat[-1]["energy_j"] == twice.heat[-1]["energy_j"]
    assert [d["count"] for d in twice.drops] == [3]


def test_a_rerun_at_another_setpoint_keeps_it_throughout(tmp_path):
    first, text = turned(tmp_path / "first"), JOB_TEXT.replace("setpoint_c = 360", "setpoint_c = 300")
    again = rerun(first, parse_job(text), text, tmp_path / "again")

    assert again.station == [] and again.heat[-1]["energy_j"]["U7"][1] < first.heat[-1]["energy_j"]["U7"][1]
