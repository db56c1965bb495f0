"""The job file: what it accepts, and that every fault is named by its key."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import JobError
from monitor.job import job_text, load_job, parse_job, write_job
from tests.monitor.make import JOB_TEXT, job

ROOT = Path(__file__).parents[2]


def faults_of(text: str) -> str:
    with pytest.raises(JobError) as caught:
        parse_job(text, "my.toml")
    return str(caught.value)


def test_the_documented_example_is_accepted():
    assert load_job(ROOT / "calibration" / "job_example.toml").target.name == "U7"


def test_a_job_survives_being_written_and_read(tmp_path):
    write_job(job(), tmp_path / "j.toml")

    assert load_job(tmp_path / "j.toml") == job()


@given(st.floats(0.2, 80), st.floats(50, 600), st.floats(1, 250))
def test_written_numbers_come_back_exactly(top, setpoint, airflow):
    text = JOB_TEXT.replace("= 6.0", f"= {top!r}", 1).replace("= 360", f"= {setpoint!r}").replace("min = 30",
                                                                                                  f"min = {airflow!r}")
    before = parse_job(text)

    assert parse_job(job_text(before)) == before


def test_every_fault_is_reported_at_once():
    text = JOB_TEXT.replace("top_height_mm = 6.0", "top_height_mm = nan").replace("= 360", "= 700").replace("[5, 25]",
                                                                                                            "[25, 5]")

    message = faults_of(text)

    assert all(key in message for key in ("board.top_height_mm", "station.setpoint_c", "limits.height_mm", "3 faults"))


def test_a_fault_is_one_line_that_names_the_file():
    message = faults_of(JOB_TEXT.replace("[solder]", "") + "\n[extra]\nx = 1\n")

    assert message.startswith("my.toml: extra: unknown key") and "\n" not in message


def test_an_outline_that_crosses_itself_is_refused():
    message = faults_of(JOB_TEXT.replace("[5, -5], [5, 5]", "[5, 5], [5, -5]"))

    assert "target.outline_mm" in message and "crosses" in message


def test_an_outline_in_metres_is_refused_as_too_small():
    message = faults_of(JOB_TEXT.replace("[[-5, -5], [5, -5], [5, 5], [-5, 5]]", "[[0, 0], [0.01, 0], [0.01, 0.01]]"))

    assert "target.outline_mm" in message and "in mm?" in message


def test_an_outline_off_the_mat_is_refused():
    message = faults_of(JOB_TEXT.replace("[16, -3]", "[160, -3]"))

    assert "neighbour[1].outline_mm" in message and "leaves the mat" in message


def test_a_setpoint_in_fahrenheit_is_suspected():
    assert "Fahrenheit" in faults_of(JOB_TEXT.replace("= 360", "= 680"))


def test_a_number_as_text_is_refused():
    assert "station.airflow_l_min: must be a number" in faults_of(JOB_TEXT.replace("min = 30", 'min = "30"'))


def test_an_unknown_alloy_is_named_with_the_known_ones():
    message = faults_of(JOB_TEXT + '[solder]\nalloy = "Unobtainium"\n')

    assert "solder.alloy: 'Unobtainium' is not in the table" in message and "Sn63Pb37" in message


def test_a_missing_section_is_named():
    assert "limits: missing" in faults_of(JOB_TEXT[:JOB_TEXT.index("[limits]")])


def test_a_bore_wider_than_the_nozzle_is_refused():
    assert "bore_diameter_mm 9" in faults_of(JOB_TEXT.replace("bore_diameter_mm = 6.8", "bore_diameter_mm = 9"))


def test_two_regions_of_one_name_are_refused():
    assert "two regions are called 'U7'" in faults_of(JOB_TEXT.replace('"connector"', '"U7"'))


@pytest.mark.parametrize("protection, missing", [("gap_below", "gap_mm"), ("metal_block", "mass_g"),
                                                 ("preheater", "temp_c")])
def test_a_protection_without_its_measure_is_refused(protection, missing):
    assert missing in faults_of(JOB_TEXT + f'\n[[protection]]\nkind = "{protection}"\n')


def test_text_that_is_no_toml_is_refused_with_its_line():
    assert "line 2" in faults_of("a = 1\nb = = 2\n")


def test_deep_nesting_is_refused_not_a_crash():
    assert "TOML expected" in faults_of("a = " + "[" * 20000 + "]" * 20000)


def test_a_file_that_is_not_utf_8_is_refused(tmp_path):
    (tmp_path / "j.toml").write_bytes(b"title = '\xff\xfe'")

    with pytest.raises(JobError, match="UTF-8"):
        load_job(tmp_path / "j.toml")


def test_a_huge_file_is_refused_before_it_is_parsed(tmp_path):
    (tmp_path / "j.toml").write_bytes(b"#" * 300_000)

    with pytest.raises(JobError, match="no job file"):
        load_job(tmp_path / "j.toml")
