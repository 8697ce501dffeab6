"""Faults: each injected for real, through the product's own doors; `python -m tests.faults --help` runs them."""
