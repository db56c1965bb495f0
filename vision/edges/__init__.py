"""Edges in the picture: cuts across them, how they look, where they are to a fraction of a pixel."""
