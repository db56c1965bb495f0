"""The command that compares passes, and the sheets of gauge readings that it takes."""

import csv
import json

import numpy as np
import pytest

from monitor.cli.compare import read_gauge_sheet
from monitor.cli.main import main
from monitor.errors import InputError


def test_the_command_prints_json_without_nan(two_days, capsys):
    code = main(["compare", str(two_days), "--json"])
    found = json.loads(capsys.readouterr().out, parse_constant=lambda name: pytest.fail(name))

    assert code == 1 and found["odd"][0]["pass"] == "b/2" and found["measures"]["energy_j"]["mean"] is None


def test_the_command_writes_tables_and_charts(two_days, tmp_path, capsys):
    main(["compare", str(two_days), "--out", str(tmp_path / "out"), "--batch", "2", "--patterns", "1,4"])

    with (tmp_path / "out" / "passes.csv").open() as handle:
        assert [row["pass"] for row in csv.DictReader(handle)] == ["1", "2", "3", "1", "2"]
    assert (tmp_path / "out" / "traces.svg").read_text().startswith("<?xml")
    assert "at most 5 % of comparisons" in capsys.readouterr().out


def sheet(path, readings):
    rows = [f"{h},{s},{r}" for h, s, r in readings]
    path.write_text("\n".join(["height_mm,setup,reading_mm", *rows]) + "\n")
    return path


def test_a_gauge_sheet_gives_bias_and_share_of_the_limits(tmp_path, capsys):
    rng = np.random.default_rng(1)
    readings = [(h, s, h + 0.5 + 0.1 * rng.normal()) for h in range(5, 15) for s in "ABC" for _ in range(3)]

    assert main(["compare", "--gauge", str(sheet(tmp_path / "g.csv", readings)), "--limits-width", "20", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)

    assert found["bias_mm"] == pytest.approx(0.5, abs=0.05)
    assert found["share_of_limits"] == pytest.approx(6 * 0.1 / 20, rel=0.3)


def test_a_gauge_reading_can_be_a_recording(two_days, tmp_path):
    path = two_days / "g.csv"
    rows = [f"{h},{s},{folder},{a},{b}" for h, folder, a, b in ((15, "a", 0.6, 3.4), (8, "b", 5.6, 8.4)) for s in "AB"
            for _ in range(2)]
    path.write_text("\n".join(["height_mm,setup,recording,t_start_s,t_end_s", *rows]))

    assert read_gauge_sheet(path).bias_mm == pytest.approx(0, abs=0.3)


@pytest.mark.parametrize(("text", "says"), [("height_mm,setup,reading_mm\n5,A,x\n", "line 2"),
                                            ("a,b\n1,2\n", "line 2: expected columns"),
                                            ("height_mm,setup,reading_mm\n5,A,5\n5,A,5\n", "not crossed"),
                                            ("height_mm,setup,recording\n5,A,nowhere\n", "line 2: .*no recording")])
def test_a_faulty_gauge_sheet_is_refused_with_its_line(tmp_path, text, says):
    (tmp_path / "g.csv").write_text(text)

    with pytest.raises(InputError, match=says):
        read_gauge_sheet(tmp_path / "g.csv")


def test_compare_without_recordings_is_wrong_use(capsys):
    assert main(["compare"]) == 2 and "name recordings" in capsys.readouterr().err
