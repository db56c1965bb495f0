"""Parts of the board, watched: how they lie, and what happened to them."""
