"""Many recordings: learning, library, batches, comparison."""
