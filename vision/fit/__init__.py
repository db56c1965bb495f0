"""From edges to a pose: rounds of least squares, and how well a pose could be known."""
