"""What the demo says of the measurement beside the truth, by numbers worked out by hand."""

from types import SimpleNamespace

import numpy as np

from monitor.cli.demo import against_truth, of_parts
from tests.monitor.make import job

COLUMNS = "t_s,in_view,hidden,height_mm,tilt_deg,impact_x_mm,impact_y_mm\n"


def recording(**changed):
    """Four frames, the last of them hidden; heights off by 1, -2 and 1 mm, aims by 5 and 13 mm where it is low."""
    frames = {"t_s": [0.0, 0.1, 0.2, 0.3], "seen": [1, 1, 1, 1], "height_mm": [11.0, 18.0, 51.0, 99.0],
              "height_sigma_mm": [1.0, 1.3, 1.0, 1.0], "tilt_rad": np.radians([31.0, 28.0, 32.0, 0.0]),
              "aim_x_mm": [5.0, 7.0, 99.0, 0.0], "aim_y_mm": [5.0, 13.0, 99.0, 0.0]}
    return SimpleNamespace(frames={k: np.array(v, float) for k, v in (frames | changed).items()})


def truth(tmp_path):
    rows = ["0.01,1,0,10,30,2,1", "0.11,1,0,20,30,2,1", "0.21,1,0,50,30,2,1", "0.31,1,1,,,,"]
    (tmp_path / "truth.csv").write_text(COLUMNS + "\n".join(rows) + "\n")
    return tmp_path / "truth.csv"


def test_the_demo_tells_how_far_off_the_measurement_is(tmp_path):
    lines = against_truth(recording(), truth(tmp_path))

    # roots of: (1 + 4 + 1) / 3 of heights, within 1.6, 2.1 and 1.6 mm; (25 + 169) / 2 of aims; (1 + 4 + 4) / 3 of tilts
    assert lines[1:] == [
        "  measured in 100 % of the frames in which the outlet is in view",
        "  height: off by 1.41 mm rms, +0.00 mm on average; 100 % inside the 90 % band",
        "  aim: off by 9.85 mm rms; tilt: 1.73 degrees rms"]


def test_frames_that_were_not_measured_count_as_such(tmp_path):
    lines = against_truth(recording(seen=[1, 0, 1, 1]), truth(tmp_path))

    assert lines[1] == "  measured in 67 % of the frames in which the outlet is in view"
    assert lines[2].startswith("  height: off by 1.00 mm rms, +1.00 mm on average; 100 % inside")


def test_where_nothing_was_measured_the_demo_says_so(tmp_path):
    assert against_truth(recording(seen=[0, 0, 0, 1]), truth(tmp_path)) == ["beside the truth: nothing was measured"]


def test_a_part_that_was_not_removed_was_not_seen_to_come_off():
    lines = of_parts(SimpleNamespace(part_events=[{"t_s": 2.0, "part": "C3", "kind": "removed", "dx_mm": None}]), job())

    assert lines[1:] == ["  2.00 s: C3 is gone", "U7 was not seen to come off"]
