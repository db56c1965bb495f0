"""Compiles once what every start and most tests use, so that neither a first run nor the suite has to."""

import sys

from monitor.engine.analyse import read_inputs
from monitor.heat.estimate import HeatEstimator
from monitor.heat.types import HeatInput
from monitor.judging.exposure import heat_setup
from monitor.judging.tracking import make_part_follower, make_tracker
from monitor.places import sample_folder

folder = sample_folder()
if folder is not None:
    inputs = read_inputs(*(folder / name for name in ("clip.mp4", "job.toml", "camera.toml", "nozzle.toml")))
    if sys.argv[1] == "vision":
        make_tracker(inputs.camera, inputs.nozzle_path, inputs.job)
    else:
        make_part_follower(inputs.camera, inputs.job)
        model = HeatEstimator(heat_setup(inputs.job))
        for k in (1, 2):
            model.step(HeatInput(0.1 * k, 0.1, True, 12e-3, 1e-3, (0.0, 0.0), 1e-3, 0.3, 0.4))
