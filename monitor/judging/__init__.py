"""What the measured pose means: exposure, technique, warnings."""
