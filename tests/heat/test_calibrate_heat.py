"""`calibrate heat` from a recording on disk and a logger's file to a calibration that is used by itself."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from shutil import copy

import numpy as np
import pytest

from monitor.cli.main import main
from monitor.heat.calibration import load_calibration
from monitor.heat.chain import Blow, Chain
from monitor.heat.estimate import HeatEstimator
from monitor.heat.shelf import applying, heat_calibration, keep, shelf
from monitor.heat.uncertainty import PARAMETERS, parameters
from monitor.job import parse_job
from monitor.judging.exposure import heat_setup
from monitor.judging.pipeline import Judge
from monitor.recording.recorder import Origin, Recorder
from tests.benchmarks.heat_bands import FINE
from tests.heat.cases import hold
from tests.monitor.make import JOB_TEXT, result, track

TEXT = (JOB_TEXT.replace("setpoint_c = 360", "setpoint_c = 420").replace("dwell_s = 4", "dwell_s = 200")
        .replace("top_height_mm = 6.0", "top_height_mm = 6.0\nsize_mm = [70, 50]\ncentre_mm = [0, 0]"))
STEP_S, HELD_S, END_S = 0.2, 42.0, 115.0
# what is true of this station, board and jet; what the camera misreads in this run; what the bead does
TRUTH = dict(zip(PARAMETERS, (-0.8, 0.7, 0.6, -0.7, 0.8, 0.3, -0.5, 0.4), strict=True))
HEIGHT_OFF_MM, AIM_OFF_MM, BEAD_READS, NOISE_K, CLOCK_OFF_S = 0.4, (0.3, -0.2), 0.985, 1.5, 21.4


def height_mm(t_s, heights=(9.0, 24.0)):
    """The hand: each height in turn, then up and out of the picture."""
    n = int(t_s // HELD_S)
    return heights[n] if n < len(heights) else 80.0 if t_s < len(heights) * HELD_S + 1.0 else None


def times():
    return np.arange(0.0, END_S, STEP_S)


def record(folder):
    """A recording of that hand, as the camera saw it."""
    judge, t_seen = Judge(parse_job(TEXT)), np.nan
    with Recorder(folder, Origin(TEXT, "", "")) as recorder:
        for n, t in enumerate(times()):
            h = height_mm(t)
            tip = None if h is None else (0.0, 0.0, h + 6.0)
            t_seen = t if tip else t_seen
            recorder.add(judge.step(result(n, track(t, tip, t_seen_s=t_seen))))
    return folder


@cache
def bead_c():
    """Joint temperature by the fine reference under the truth."""
    setup = heat_setup(parse_job(TEXT))
    chain, rows = Chain(setup, parameters(np.array([[TRUTH[n]] for n in PARAMETERS])), FINE), []
    for t in times():
        h = height_mm(t)
        if h is None:
            chain.rest(STEP_S)
        else:
            chain.blow(Blow(420.0, setup.station.airflow_m3_s, (h + HEIGHT_OFF_MM) * 1e-3,
                            *(1e-3 * a for a in AIM_OFF_MM)),
                       STEP_S)
        rows.append(float(chain.sites().joint_centre[0]))
    return np.array(rows)


def write_log(path, temps, shift_s=0.0):
    """What the logger wrote, once a second, on its own clock."""
    read = 23 + BEAD_READS * (temps[::5] - 23) + np.random.default_rng(5).normal(0, NOISE_K, temps[::5].size)
    rows = "\n".join(f"{t - CLOCK_OFF_S + shift_s:.2f},{c:.2f}"
                     for t, c in zip(times()[::5] + STEP_S, read, strict=False))
    path.write_text("t_s,temp_c\n" + rows + "\n")
    return path


def run(tmp_path, *more, temps=None, shift_s=0.0):
    log = write_log(tmp_path / "log.csv", bead_c() if temps is None else temps, shift_s)
    return main(["calibrate", "heat", str(record(tmp_path / "run")), "--log", str(log), *more])


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """The files of one good run, and what was printed."""
    folder = tmp_path_factory.mktemp("heat")
    with pytest.MonkeyPatch.context() as patch:
        said = []
        patch.setattr("monitor.cli.calibrate.say", said.append)
        patch.setenv("XDG_DATA_HOME", str(folder / "data"))
        assert run(folder, "--plot", str(folder / "left.png")) == 0
        copy(next(shelf().iterdir()), folder / "heat.toml")
    return folder, said


def test_truth_lies_within_the_posterior(made):
    k = load_calibration(made[0] / "heat.toml").knowledge
    miss = np.array([TRUTH[n] for n in PARAMETERS]) - k.mean

    assert miss @ np.linalg.solve(k.cov, miss) < 20.1  # chi-square, 8 degrees of freedom, 99 %


def test_offset_of_the_clocks_is_found(made):
    offset = float(next(line for line in made[1] if line.startswith("time offset")).split()[2])

    assert offset == pytest.approx(CLOCK_OFF_S, abs=1.0)


def test_what_was_and_was_not_identified_is_named(made):
    assert any(line.startswith("identified:") for line in made[1])
    assert any(line.startswith("not identified:") for line in made[1])


def test_every_parameter_is_told_with_its_range(made):
    assert sum("(" in line and " to " in line for line in made[1]) >= len(PARAMETERS)


def test_residuals_are_drawn_whole(made):
    data = (made[0] / "left.png").read_bytes()

    assert data.startswith(b"\x89PNG") and data.endswith(b"IEND\xaeB`\x82")


def test_estimate_at_another_height_holds_the_truth_in_a_narrower_band(made):
    setup = heat_setup(parse_job(TEXT))
    truth = Chain(setup, parameters(np.array([[TRUTH[n]] for n in PARAMETERS])), FINE)
    for _ in range(150):
        truth.blow(Blow(420.0, setup.station.airflow_m3_s, 15e-3, 0.0, 0.0), 0.1)

    wide, narrow = (hold(HeatEstimator(setup, c), 15.0, height_mm=15.0).temp_c["joint centre"]
                    for c in (None, load_calibration(made[0] / "heat.toml")))

    assert narrow.low < float(truth.sites().joint_centre[0]) < narrow.high
    assert narrow.high - narrow.low < 0.5 * (wide.high - wide.low)


def test_height_far_from_the_run_is_flagged_and_never_called_molten(made):
    setup = heat_setup(parse_job(TEXT))

    reading = hold(HeatEstimator(setup, load_calibration(made[0] / "heat.toml")), 3.0, height_mm=40.0)

    assert any("run was made at 9 to 24 mm" in flag for flag in reading.flags)


def test_without_a_name_it_is_kept_and_used_for_such_boards_only(made, tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    shelf().mkdir(parents=True)
    (shelf() / "mine.toml").write_bytes((made[0] / "heat.toml").read_bytes())
    (shelf() / "broken.toml").write_text("kind = 3")
    same, other = (heat_setup(parse_job(TEXT.replace("bore_diameter_mm = 6.8", f"bore_diameter_mm = {b}")))
                   for b in (6.8, 5.0))

    assert heat_calibration(None, same) is not None and heat_calibration(None, other) is None
    assert heat_calibration("none", same) is None
    told = capsys.readouterr().err
    assert "broken.toml" in told and "mine.toml applies" in told


def test_newer_calibration_takes_the_place_of_an_older_one(made, tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    calibration = load_calibration(made[0] / "heat.toml")

    for rms_k in (3.0, 2.0):
        keep(replace(calibration, rms_k=rms_k))

    assert len(list(shelf().iterdir())) == 1
    assert applying(heat_setup(parse_job(TEXT)))[0].rms_k == 2.0


def test_heat_calibration_is_kept_when_no_file_is_named(made):
    kept = next(line for line in made[1] if "used from now on" in line).split(": ")[0]

    assert "bore6.8mm" in kept and "30lmin" in kept and load_calibration(Path(kept)).rms_k < 3


@pytest.mark.parametrize("temps, shift_s, word", [
    (np.full(times().size, 30.0), 0.0, "rises only"), (np.linspace(23, 240, times().size), 400.0, "does not overlap")])
def test_run_that_teaches_nothing_is_refused_in_one_line(tmp_path, capsys, temps, shift_s, word):
    assert run(tmp_path, "--out", str(tmp_path / "heat.toml"), temps=temps, shift_s=shift_s) == 3

    lines = capsys.readouterr().err.strip().splitlines()
    assert len(lines) == 1 and word in lines[0] and not (tmp_path / "heat.toml").exists()
