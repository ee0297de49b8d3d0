"""Timings, kept apart from the tests: a test never judges a time."""
