"""The bench: where the mat and the board lie, and how the bench looks without the tool."""
