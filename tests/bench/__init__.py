"""Timings, run by hand: they say how fast a machine is, and are no test."""
