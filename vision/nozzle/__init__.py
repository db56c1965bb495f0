"""The nozzle as a body: radii along its axis, and its outline."""
