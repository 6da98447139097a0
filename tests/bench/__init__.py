"""Measurements, apart from the tests: `python -m tests.bench` prints them all."""
