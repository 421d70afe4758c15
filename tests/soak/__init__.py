"""Hours of work with a fault every few seconds; see `python -m tests.soak --help`."""
