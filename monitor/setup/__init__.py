"""Before the work: paper, camera, nozzle, and how far heights can be trusted."""
