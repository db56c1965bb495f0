"""What the camera and the person say of parts and joints: kept, told, undone, judged again."""

from dataclasses import replace

import numpy as np
import pytest

from monitor.engine.rerun import rerun
from monitor.engine.teaching import lessons_of, recording_key, teach_shelf
from monitor.heat.shelf import heat_calibration
from monitor.heat.uncertainty import PARAMETERS
from monitor.job import parse_job
from monitor.judging.exposure import heat_setup
from monitor.judging.marks import MOLTEN, SOLID
from monitor.places import heat_folder
from monitor.recording.export import export_csv
from monitor.recording.marks import add_mark, take_back_last
from monitor.recording.reader import open_recording
from monitor.sound.tones import MELTED
from tests.engine.test_session import make, run
from tests.monitor.make import JOB_TEXT
from vision.types import PartEvent, PartMotion

TARGET = parse_job(JOB_TEXT).target.name
NEIGHBOUR = parse_job(JOB_TEXT).neighbour_names[0]


class Parts:
    """Stands for the watch over parts: events at given times."""

    def __init__(self, *events):
        self._events = list(events)

    def step(self, frame, seen):
        due = tuple(PartEvent(seen.t_s, seen.t_s - 0.1, name, kind, np.array([0.2, -0.1]), 0.01, 0.02)
                    for t_s, name, kind in self._events if abs(t_s - seen.t_s) < 0.01)
        return replace(seen, parts=(PartMotion(seen.t_s, TARGET, np.array([0.1, 0.0]), 0.0, 0.02, 0.01),),
                       part_events=due)


def hovering(t):
    return 0, 0, 12


def session(folder, *events, **options):
    made = make(folder, where=hovering, operator="k1", **options)
    made.pipeline._parts = Parts(*events)
    return made


def test_a_target_that_settles_is_heard_teaches_and_is_kept(tmp_path):
    cues = []
    work = session(tmp_path / "r", (3.0, TARGET, "settled"), say=cues.append)
    moments = run(work, 4.0)
    found = open_recording(work.finish())

    assert sum(MELTED in cue.starts for cue in cues) == 1
    assert moments[-1].result.molten_s == pytest.approx(2.9)
    assert [(e["part"], e["kind"]) for e in found.part_events] == [(TARGET, "settled")]
    lesson = lessons_of(found)[0]
    assert lesson.sight.told_by == "camera" and len(lesson.per_score_k) == len(PARAMETERS)


def test_a_neighbour_that_moves_is_a_warning_with_its_size_and_teaches_nothing(tmp_path):
    work = session(tmp_path / "r", (2.0, NEIGHBOUR, "moved"))
    run(work, 3.0)
    found = open_recording(work.finish())

    moved = [w for w in found.warnings if w["kind"] == "part_moved"]
    assert [w["region"] for w in moved] == [NEIGHBOUR] and "0.22 mm" in moved[0]["text"]
    assert not found.lessons


def test_the_persons_word_is_kept_with_who_said_so_and_can_be_taken_back(tmp_path):
    work = session(tmp_path / "r")
    run(work, 2.0)
    work.mark_joints(SOLID)
    run(work, 1.0, start_s=2.0)
    work.mark_joints(MOLTEN)
    run(work, 1.0, start_s=3.0)
    taught = len(work.heat.learner.lessons)
    work.undo_mark()
    found = open_recording(work.finish())

    assert taught == 2 and len(work.heat.learner.lessons) == 1
    assert [(m["kind"], m["author"], m["undone_utc"] is None) for m in found.marks] == [
        (SOLID, "k1", True), (MOLTEN, "k1", False)]
    assert [x["kind"] for x in found.lessons] == [SOLID]


def test_judged_again_the_same_is_learned_and_a_mark_of_the_review_counts(tmp_path):
    work = session(tmp_path / "r", (3.0, TARGET, "settled"))
    run(work, 4.0)
    found = open_recording(work.finish())
    for kind in ("camera", "nozzle"):
        (found.folder / f"{kind}.toml").write_text("# none\n")
    again = rerun(found, parse_job(JOB_TEXT), JOB_TEXT, tmp_path / "again")

    assert again.lessons[0]["after_c"] == pytest.approx(found.lessons[0]["after_c"], abs=1e-6)

    add_mark(found, 3.5, SOLID, "k2")
    add_mark(found, 3.6, MOLTEN, "k2")
    assert take_back_last(found).kind == MOLTEN
    marked = rerun(open_recording(found.folder), parse_job(JOB_TEXT), JOB_TEXT, tmp_path / "marked")
    assert [x["kind"] for x in marked.lessons] == ["settled", SOLID]


def test_the_next_job_with_the_nozzle_knows_more_and_a_rerun_of_this_one_does_not(tmp_path):
    work = session(tmp_path / "r", (3.0, TARGET, "settled"))
    run(work, 4.0)
    found, job = open_recording(work.finish()), parse_job(JOB_TEXT)
    (heat_folder() / "melts.json").unlink(missing_ok=True)
    hot = replace(found, lessons=[{**found.lessons[0], "at_zero_c": 212.0}])  # the drawn work never came near a melt

    assert teach_shelf(hot, job) == 1
    known = heat_calibration(None, heat_setup(job))
    assert not known.knowledge.is_calibrated and np.trace(known.knowledge.cov) < len(PARAMETERS)
    assert heat_calibration(None, heat_setup(job), recording_key(found)) is None
    assert heat_calibration("none", heat_setup(job)) is None
    (heat_folder() / "melts.json").unlink()


def test_tables_hold_parts_and_what_happened_to_them(tmp_path):
    work = session(tmp_path / "r", (2.0, NEIGHBOUR, "moved"))
    run(work, 3.0)
    work.mark_joints(MOLTEN)
    found = open_recording(work.finish())
    export_csv(found, tmp_path / "out")

    parts = (tmp_path / "out" / "parts.csv").read_text().splitlines()
    events = (tmp_path / "out" / "part_events.csv").read_text().splitlines()
    assert len(parts) == 1 + 60 and parts[1].startswith(f"0.0,{TARGET},0.1,0.0,")
    assert [row.split(",")[2:4] for row in events[1:]] == [[NEIGHBOUR, "moved"], ["", MOLTEN]]
