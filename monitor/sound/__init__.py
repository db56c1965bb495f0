"""Sound: tones made here, played where there is a device, written to a file where one is asked for."""
