"""Many recordings analysed again: the same bits however the work is spread, and faults stay where they are."""

import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import av
import numpy as np
import pytest

from monitor.cli.main import main
from monitor.engine.analyse import Filming, analyse, read_inputs
from monitor.errors import EnvironmentFault, InputError
from monitor.recording.attribution import Attribution
from monitor.recording.comments import Comment, save_comments
from monitor.recording.export import export_csv
from monitor.recording.reader import open_recording
from monitor.repeat import batch, batch_task
from monitor.repeat.batch import find_tasks, run_tasks
from monitor.repeat.batch_task import DONE, FAILED, KEPT, Outcome, Task, trace_digest
from tests.compare.make import record_passes

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "tests" / "data" / "sweep"
LENGTH_S = 1.0


def cut(path, length_s=LENGTH_S):
    """The first frames of the sample, its stream copied as it is."""
    with av.open(str(SAMPLE / "clip.mp4")) as source, av.open(str(path), "w") as target:
        stream = source.streams.video[0]
        copy = target.add_stream_from_template(stream)
        for packet in source.demux(stream):
            if packet.dts is not None and packet.pts * packet.time_base < length_s:
                packet.stream = copy
                target.mux(packet)
    return path


@pytest.fixture(scope="module")
def day(tmp_path_factory):
    """Two recordings of one clip, analysed here and now."""
    root = tmp_path_factory.mktemp("batch") / "day"
    clip = cut(root.with_name("clip.mp4"))
    inputs = read_inputs(clip, SAMPLE / "job.toml", SAMPLE / "camera.toml", SAMPLE / "nozzle.toml")
    analyse(inputs, root / "a", Filming(Attribution("T7")), copy_video=True)
    with sqlite3.connect(root / "a" / "trace.sqlite") as db:
        db.execute("UPDATE meta SET value = '2026-05-04T09:00:00+00:00' WHERE key = 'started_utc'")
    db.close()
    shutil.copytree(root / "a", root / "later" / "b")
    return root


@pytest.fixture(scope="module")
def one_worker(day):
    out = day.with_name("one")
    return out, list(run_tasks(find_tasks(day, out)[:1], out, n_workers=1))


def texts(folder, to):
    """The exported tables, to the byte; about.json tells which recording it was."""
    return [path.read_bytes() for path in export_csv(open_recording(folder), to) if path.suffix == ".csv"]


@pytest.mark.slow
def test_one_worker_gives_the_bits_of_the_first_analysis(day, one_worker, tmp_path):
    out, outcomes = one_worker

    assert [(o.name, o.state) for o in outcomes] == [("a", DONE)]
    assert outcomes[0].digest == trace_digest(day / "a")
    assert texts(out / "a", tmp_path / "1") == texts(day / "a", tmp_path / "2")


@pytest.mark.slow
def test_the_clip_says_something_about_the_nozzle(day):
    frames = open_recording(day / "a").frames

    assert (frames["seen"] > 0).sum() >= 3 and np.isfinite(frames["height_mm"]).any()


@pytest.mark.slow
def test_two_workers_give_the_same_bits(day, one_worker, tmp_path):
    outcomes = list(run_tasks(find_tasks(day, tmp_path / "two"), tmp_path / "two", n_workers=2))

    assert sorted(o.name for o in outcomes) == ["a", "later/b"]
    assert {o.digest for o in outcomes} == {o.digest for o in one_worker[1]}
    assert texts(tmp_path / "two" / "a", tmp_path / "1") == texts(one_worker[0] / "a", tmp_path / "2")


@pytest.mark.slow
def test_a_cluster_of_two_workers_gives_the_same_bits(day, one_worker, tmp_path):
    from distributed import LocalCluster

    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster:
        outcomes = list(run_tasks(find_tasks(day, tmp_path / "many"), tmp_path / "many",
                                  scheduler=cluster.scheduler_address))

    assert sorted(o.name for o in outcomes) == ["a", "later/b"]
    assert {o.digest for o in outcomes} == {o.digest for o in one_worker[1]}
    assert texts(tmp_path / "many" / "a", tmp_path / "1") == texts(one_worker[0] / "a", tmp_path / "2")


@pytest.mark.slow
def test_when_and_by_whom_it_was_done_is_kept(one_worker):
    meta = open_recording(one_worker[0] / "a").meta

    assert meta["started_utc"] == "2026-05-04T09:00:00+00:00" and meta["operator"] == "T7"


@pytest.mark.slow
def test_what_is_done_is_not_done_again(day, one_worker):
    out, before = one_worker
    again = list(run_tasks(find_tasks(day, out)[:1], out))

    assert [o.state for o in again] == [KEPT] and [o.digest for o in again] == [o.digest for o in before]


@pytest.mark.slow
def test_nothing_half_done_is_left_among_the_results(one_worker):
    assert sorted(p.name for p in one_worker[0].iterdir()) == ["a", "batch.jsonl"]


def test_a_recording_that_the_batch_did_not_make_is_left_alone(tmp_path):
    for root in ("r", "o"):
        save_comments(bad(tmp_path / root, "a"), [Comment(0.1, "keep me", made_utc="2026-01-01")])
    before = (tmp_path / "o" / "a" / "trace.sqlite").read_bytes()

    task = replace(find_tasks(tmp_path / "r", tmp_path / "o")[0], before=(("some key", "some digest"),))
    with pytest.raises(InputError, match="did not make"):
        batch_task._check_replaceable(task)
    outcomes = list(run_tasks(find_tasks(tmp_path / "r", tmp_path / "o"), tmp_path / "o"))
    assert [o.state for o in outcomes] == [FAILED] and (tmp_path / "o" / "a" / "trace.sqlite").read_bytes() == before


@pytest.mark.slow
def test_comments_on_a_result_survive_a_batch_with_another_job(day, one_worker, tmp_path, monkeypatch):
    monkeypatch.setattr("monitor.repeat.batch.run_on_cores",
                        lambda tasks, *_: (batch_task.analyse_again(task) for task in tasks))
    root, out = tmp_path / "day", tmp_path / "out"
    shutil.copytree(day / "a", root / "a")
    shutil.copytree(one_worker[0], out)
    save_comments(out / "a", [Comment(0.1, "keep me", made_utc="2026-01-01")])
    (root / "a" / "job.toml").write_text((root / "a" / "job.toml").read_text() + "# another\n")

    assert [o.state for o in run_tasks(find_tasks(root, out), out)] == [DONE]
    found = open_recording(out / "a")
    assert [c["text"] for c in found.comments] == ["keep me"] and found.job_text.endswith("# another\n")


@pytest.mark.slow
def test_a_result_that_was_changed_is_left_alone(day, one_worker, tmp_path):
    shutil.copytree(one_worker[0], tmp_path / "out")
    with sqlite3.connect(tmp_path / "out" / "a" / "trace.sqlite") as db:
        db.execute("UPDATE frames SET height_mm = 1.0")
    db.close()
    before = [Outcome(**json.loads(line)) for line in (tmp_path / "out" / "batch.jsonl").read_text().splitlines()]
    task = replace(find_tasks(day, tmp_path / "out")[0], before=tuple((o.key, o.digest) for o in before))

    with pytest.raises(InputError, match="was changed"):
        batch_task._check_replaceable(task)


def bad(root, name):
    """A recording that was made without a video."""
    return record_passes(root / name, [15.0], dwell_s=0.5, gap_s=0.2, rate_hz=10.0)


def test_a_bad_recording_does_not_stop_the_rest(tmp_path):
    for name in "abc":
        bad(tmp_path / "r", name)
    (tmp_path / "r" / "b" / "trace.sqlite").write_bytes(b"nothing" * 99)

    outcomes = list(run_tasks(find_tasks(tmp_path / "r", tmp_path / "o"), tmp_path / "o", n_workers=2))

    assert {o.name: o.state for o in outcomes} == dict.fromkeys("abc", FAILED)
    assert {"damaged" in o.fault for o in outcomes if o.name == "b"} == {True}


def test_a_process_that_dies_takes_only_its_own_task_along(tmp_path):
    from monitor.repeat.batch_workers import _Worker

    worker = _Worker()
    worker.give(Task("a", "nowhere", str(tmp_path / "a")))
    os.kill(worker._process.pid, signal.SIGKILL)
    while (outcome := worker.hear(lambda *_: None)) is None:
        pass

    try:
        assert outcome.state == FAILED and "-9" in outcome.fault
        worker.give(Task("b", str(tmp_path / "nowhere"), str(tmp_path / "b")))
        assert "missing" in worker.hear(lambda *_: None).fault  # the new process answers
    finally:
        worker.end()


def test_a_journal_cut_off_in_a_line_is_read_to_there(tmp_path):
    done = json.dumps({"name": "a", "state": DONE, "key": "k", "digest": "d"})
    (tmp_path / "batch.jsonl").write_text(done + "\n" + done[:20])

    assert batch._read_journal(tmp_path / "batch.jsonl") == {"a": [Outcome("a", DONE, "k", "d")]}


def test_a_changed_job_is_a_change_of_what_a_result_rests_on(tmp_path):
    folder = bad(tmp_path, "a")
    (folder / "video.mp4").write_bytes(b"film")
    with sqlite3.connect(folder / "trace.sqlite") as db:
        db.execute("UPDATE meta SET value = 'video.mp4' WHERE key = 'video'")
    db.close()
    task = Task("a", str(folder), str(tmp_path / "o"))
    before = batch_task.task_key(task)
    (folder / "job.toml").write_text((folder / "job.toml").read_text() + "# later\n")

    assert batch_task.task_key(task) != before


def test_results_never_lie_among_the_recordings(tmp_path):
    bad(tmp_path / "r", "a")

    with pytest.raises(InputError, match="lies in"):
        find_tasks(tmp_path / "r", tmp_path / "r" / "again")


def test_no_scheduler_is_a_fault_of_the_machine(tmp_path, monkeypatch):
    monkeypatch.setattr("monitor.repeat.batch_cluster.WAIT_S", 0.5)
    from monitor.repeat.batch_cluster import run_on_cluster

    with pytest.raises(EnvironmentFault, match="no Dask scheduler answers"):
        list(run_on_cluster([Task("a", "x", "y")], "tcp://127.0.0.1:9"))


def test_the_command_ends_with_three_when_some_failed(tmp_path, capsys):
    bad(tmp_path / "r", "a")

    assert main(["batch", str(tmp_path / "r"), "-j", "1", "--json"]) == 3
    assert "made without a video" in json.loads(capsys.readouterr().out)["fault"]
    assert (tmp_path / "r_again" / "batch.jsonl").is_file()


@pytest.mark.slow
def test_ctrl_c_leaves_whole_results_only(day, tmp_path):
    command = subprocess.Popen([sys.executable, "-m", "monitor.cli", "batch", str(day), "-j", "2", "--out",
                                str(tmp_path / "o")],
                               cwd=ROOT, stderr=subprocess.PIPE, text=True, start_new_session=True,
                               # a job in the background ignores it
                               preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL))
    out, deadline = tmp_path / "o", time.monotonic() + 60
    while not list(out.glob("*.part")) and command.poll() is None and time.monotonic() < deadline:
        time.sleep(0.02)
    os.killpg(command.pid, signal.SIGINT)
    _, said = command.communicate(timeout=30)

    assert command.returncode == 130 and "interrupted" in said
    assert [p.name for p in out.iterdir() if p.is_dir()] in ([], ["later"]) and not list(out.glob("later/*"))


@pytest.mark.parametrize("laid_out", [(), ("writing.lock",), ("writing.lock", "job.toml"),
                                      ("writing.lock", "job.toml", "camera.toml", ".meta.json.part")])
def test_a_worker_stopped_before_its_trace_was_begun_leaves_nothing(tmp_path, laid_out):
    task = Task("a", "nowhere", str(tmp_path / "a"))
    (tmp_path / "a.part").mkdir()
    for name in laid_out:
        (tmp_path / "a.part" / name).write_bytes(b"")

    batch_task.clear_work(task)

    assert not (tmp_path / "a.part").exists()


@pytest.mark.parametrize("files", [{"thesis.txt": ""}, {"writing.lock": "", "thesis.txt": ""},
                                   {"writing.lock": "", "trace.sqlite": ""},
                                   {"trace.sqlite": "", "meta.json": '{"live": true}'}])
def test_clearing_up_takes_nothing_that_may_be_someone_s_work(tmp_path, files):
    (tmp_path / "a.part").mkdir()
    for name, text in files.items():
        (tmp_path / "a.part" / name).write_text(text)

    batch_task.clear_work(Task("a", "nowhere", str(tmp_path / "a")))

    assert {"thesis.txt", "trace.sqlite"} & {path.name for path in (tmp_path / "a.part").iterdir()}


@pytest.mark.parametrize("says", ["is not there", "is not what the worker wrote"])
def test_a_worker_s_word_alone_does_not_make_a_result(tmp_path, monkeypatch, says):
    task = Task("a", "nowhere", str(tmp_path / "o" / "a"))
    if says == "is not what the worker wrote":
        record_passes(tmp_path / "o" / "a", [15.0], dwell_s=0.5, gap_s=0.2, rate_hz=10.0)
    monkeypatch.setattr("monitor.repeat.batch.run_on_cores",
                        lambda *_: (o for o in [Outcome("a", DONE, "key", "digest")]))

    outcome, = run_tasks([task], tmp_path / "o")

    assert outcome.state == FAILED and says in outcome.fault
