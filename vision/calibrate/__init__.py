"""What photographs teach: the camera's lens, and where a nozzle's edges appear."""
