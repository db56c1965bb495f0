"""Plants single-line faults in the code and says which of them the tests notice: `python -m tests.mutants --seed 1`."""
