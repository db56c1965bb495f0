"""The camera: its lens, and frames with their exact times."""
