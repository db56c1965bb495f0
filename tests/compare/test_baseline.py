"""What a comparison rests on: passes left out and new beginnings, with reason and name; and what is no such record."""

import dataclasses
import json
import os

import numpy as np
import pytest
import tomli_w

from monitor.cli.main import main
from monitor.errors import InputError
from monitor.repeat.compare.baseline import BEGUN_ANEW, Decision, aside_of, read_decisions
from monitor.repeat.compare.comparison import compare
from tests.compare.test_compare import one
from tests.monitor.make import job

GOOD = {"what": "left out", "recording": "b", "recorded_utc": "2026-11-29T10:00:00.000+00:00", "number": 2,
        "why": "slipped", "by": "INS1", "decided_utc": "2026-11-29T11:00:00.000+00:00"}


def test_a_pass_left_out_is_told_with_reason_and_name_and_judged_no_longer(two_days, tmp_path, capsys):
    record = str(tmp_path / "baseline.toml")
    before = main(["compare", str(two_days), "--json"])
    capsys.readouterr()
    main(["compare", str(two_days), "--baseline", record, "--leave-out", "b/2", "--why", "tried a lower hold", "--by",
          "INS1"])
    capsys.readouterr()
    after = main(["compare", str(two_days), "--baseline", record, "--json"])
    found = json.loads(capsys.readouterr().out)

    assert (before, after) == (1, 0)
    assert found["left_out"] == {"b/2": "tried a lower hold (INS1)"} and "b/2 left out on" in found["notes"][0]


def test_after_a_new_beginning_only_later_passes_count():
    rng = np.random.default_rng(4)
    passes = [one(i, height=h) for i, h in enumerate([*rng.normal(12, 0.3, 25), *rng.normal(15, 0.3, 25)])]
    decided = [Decision(BEGUN_ANEW, "day", "", 26, "held higher on purpose", "INS1", "2026-05-01T10:00:00+00:00")]

    assert not compare(passes, job()).is_quiet
    assert compare(passes, job(), aside=aside_of(passes, decided)).is_quiet


def test_what_was_taken_back_counts_again(two_days, tmp_path, capsys):
    who = ["--baseline", str(tmp_path / "b.toml"), "--by", "INS1"]
    main(["compare", str(two_days), "--leave-out", "b/2", "--why", "slipped", *who])
    main(["compare", str(two_days), "--take-back", "b/2", "--why", "it was the hand", *who])
    text = capsys.readouterr().out.split("note: baseline: b/2 taken back")[1]

    assert "left out: slipped" not in text.split("mean height")[0].split("it was the hand")[1]


def test_what_nobody_decided_cannot_be_taken_back(two_days, tmp_path, capsys):
    code = main(["compare", str(two_days), "--take-back", "b/2", "--why", "x", "--by", "INS1", "--baseline",
                 str(tmp_path / "b.toml")])

    assert code == 3 and "nothing was decided on this pass" in capsys.readouterr().err
    assert not (tmp_path / "b.toml").exists()


def test_a_decision_without_a_reason_or_a_name_is_refused(two_days, tmp_path, capsys):
    code = main(["compare", str(two_days), "--baseline", str(tmp_path / "b.toml"), "--leave-out", "b/2", "--by",
                 "INS1"])

    assert code == 3 and "say why" in capsys.readouterr().err and not (tmp_path / "b.toml").exists()


@pytest.mark.parametrize("change", [{"number": "2"}, {"number": True}, {"what": "thrown away"}, {"why": 5},
                                    {"more": "x"}, {"by": None}, {"recording": ["b"]}])
def test_a_baseline_that_holds_what_no_decision_can_is_refused_in_one_line(tmp_path, change):
    path = tmp_path / "b.toml"
    row = {key: value for key, value in (GOOD | change).items() if value is not None}
    path.write_text(tomli_w.dumps({"decision": [row]}), encoding="utf-8")

    with pytest.raises(InputError, match="no record of a baseline"):
        read_decisions(path)


def test_a_sound_baseline_is_read_and_one_that_is_not_there_yet_is_empty(tmp_path):
    (tmp_path / "b.toml").write_text(tomli_w.dumps({"decision": [GOOD]}), encoding="utf-8")

    assert [dataclasses.asdict(d) for d in read_decisions(tmp_path / "b.toml")] == [GOOD]
    assert read_decisions(tmp_path / "none.toml") == []


@pytest.mark.parametrize("kind", ["folder", "pipe", "deep", "large", "link to nothing"])
def test_a_baseline_that_is_no_plain_small_file_is_refused_at_once(tmp_path, kind):
    path = tmp_path / "b.toml"
    if kind == "folder":
        path.mkdir()
    elif kind == "pipe":
        os.mkfifo(path)
    elif kind == "link to nothing":
        path.symlink_to(tmp_path / "gone.toml")
    else:
        path.write_text("a = " + "[" * 3000 + "]" * 3000 if kind == "deep" else "#" * 6_000_000, encoding="utf-8")

    with pytest.raises(InputError, match="b.toml: ") as fault:
        read_decisions(path)
    assert "\n" not in str(fault.value)
