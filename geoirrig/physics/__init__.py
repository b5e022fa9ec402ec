"""Equations on NumPy arrays: no files, no coordinate systems, no tables."""
