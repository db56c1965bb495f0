"""Camera in, geometry out: frames, bench pose, nozzle pose; nothing of Qt or of the monitor."""
