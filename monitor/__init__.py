"""Gives measured nozzle geometry its meaning: heat, technique, warnings, records."""
