"""How long a camera takes to read its rows, told by a mat that is waved before it."""

import numpy as np
import pytest

from tests.vision.drawn import CAMERA
from tests.vision.drawn_webcam import waved
from vision.bench.mat import standard_mat
from vision.calibrate.readout import MOST_SIGMA_S, measure_readout
from vision.errors import CalibrationError


@pytest.mark.slow
@pytest.mark.parametrize("readout_s", [0.0, 0.016, -0.016, 0.033])
def test_the_readout_of_a_drawn_rolling_shutter_is_told_within_its_sigma(readout_s):
    found = measure_readout(waved(readout_s, 40), CAMERA, standard_mat())

    assert found.sigma_s < MOST_SIGMA_S / 2 and found.n_pictures > 30
    assert abs(found.readout_s - readout_s) < 3 * found.sigma_s + 1e-4


def test_a_mat_at_rest_tells_no_readout():
    with pytest.raises(CalibrationError, match="moves too little"):
        measure_readout(waved(0.02, 24, reach_mm=0.0), CAMERA, standard_mat())


def test_a_recording_with_few_sights_of_the_mat_is_refused():
    with pytest.raises(CalibrationError, match="at least 20"):
        measure_readout(waved(0.02, 12), CAMERA, standard_mat())


def test_pictures_after_a_gap_are_not_taken_for_neighbours():
    frames = [f if f.index < 12 else type(f)(f.index, f.t_s + 1.0, f.image, f.source, f.luma) for f in waved(0.02, 24)]

    with pytest.raises(CalibrationError, match="in 20 pictures|at least 20"):
        measure_readout(frames[:22], CAMERA, standard_mat())
    assert np.diff([f.t_s for f in frames]).max() > 1.0
