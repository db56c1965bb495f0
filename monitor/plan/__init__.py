"""What to set before the work."""
