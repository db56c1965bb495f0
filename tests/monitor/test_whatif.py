"""What would have come out with other settings."""

import shutil
from dataclasses import replace

import numpy as np
import pytest

from monitor.engine.rerun import HEAT
from monitor.errors import JobError
from monitor.heat.calibration import Calibration, save_calibration
from monitor.heat.uncertainty import prior
from monitor.job import ProtectionMeasure
from monitor.judging.exposure import heat_setup
from monitor.recording.reader import open_recording
from monitor.review.report import report_html
from monitor.review.traces import Cancelled, traces_of
from monitor.review.whatif import Change, changed_job, keep_what_if, kept_what_if, what_if
from tests.monitor.made_recording import make_recording
from tests.monitor.make import job


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    return make_recording(tmp_path_factory.mktemp("whatif") / "r", duration_s=3.0, heat=True)


def energy(recording):
    return recording.heat[-1]["energy_j"]["U7"][1]


def test_the_same_settings_give_the_same_result(recording):
    again = what_if(recording, job(), Change()).again

    assert energy(again) == energy(recording)


def test_a_hotter_station_brings_more_heat(recording):
    assert energy(what_if(recording, job(), Change(setpoint_c=450.0)).again) > 1.1 * energy(recording)


def test_a_nozzle_held_higher_is_higher_by_just_that(recording):
    found = what_if(recording, job(), Change(higher_mm=7.5))
    rise = found.traces.height_mm[:, 1] - traces_of(recording, job()).height_mm[:, 1]

    np.testing.assert_allclose(rise, 7.5, atol=1e-9)


def test_a_nozzle_held_too_high_would_have_been_warned_of(recording):
    found = what_if(recording, job(), Change(higher_mm=20.0))  # 12 + 20 mm, 25 allowed

    assert "'too far'" in found.sentence and "20 mm higher" in found.sentence


def test_the_sentence_says_what_changed_and_shows_both_bands(recording):
    sentence = what_if(recording, job(), Change(setpoint_c=450.0)).sentence

    assert sentence.startswith("With 450 C instead of 360 C, U7 would have taken about ") and sentence.count(".") >= 1
    assert "bands" in sentence and "(estimate)" in sentence and "\n" not in sentence


def test_a_protected_connector_stays_cooler(recording):
    shield = ProtectionMeasure(kind="shield_above", outline_mm=job().neighbour[0].outline_mm, gap_mm=2.0)
    again = what_if(recording, job(), Change(protection=(shield,))).again

    assert again.heat[-1]["temp_c"]["connector"][1] <= recording.heat[-1]["temp_c"]["connector"][1]


def test_a_setpoint_that_no_station_has_is_refused():
    with pytest.raises(JobError, match="setpoint_c"):
        changed_job(job(), Change(setpoint_c=900.0))


def test_a_cancelled_what_if_leaves_nothing_behind(recording, tmp_path, monkeypatch):
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))

    def stop(share):
        raise Cancelled

    with pytest.raises(Cancelled):
        what_if(recording, job(), Change(setpoint_c=400.0), stop)
    assert list(tmp_path.iterdir()) == []


def test_a_kept_what_if_stands_in_the_report(recording):
    found = what_if(recording, job(), Change(setpoint_c=420.0))
    keep_what_if(recording.folder, recording, found)
    again = open_recording(recording.folder)

    assert kept_what_if(again)["sentence"] == found.sentence
    assert found.sentence.replace("'", "&#39;") in report_html(again)


def test_a_calibration_that_no_longer_holds_is_named(recording, tmp_path):
    folder = tmp_path / "calibrated"
    shutil.copytree(recording.folder, folder)
    setup = heat_setup(job())
    known = replace(prior(), is_calibrated=True, height_range_m=(0.005, 0.03))
    layers = tuple((layer.thickness_m, layer.coverage) for layer in setup.board.layers)
    save_calibration(Calibration(known, setup.board.thickness_m, layers, setup.station.bore_m,
                                 setup.station.airflow_m3_s, (0.005, 0.03), 1.0, ()), folder / HEAT)
    calibrated = open_recording(folder)

    assert "made for 30 L/min" in what_if(calibrated, job(), Change(airflow_l_min=60.0)).sentence
    assert "does not hold" not in what_if(calibrated, job(), Change(setpoint_c=400.0)).sentence
