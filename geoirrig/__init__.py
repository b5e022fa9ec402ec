"""From sprinkler heads, turf and slope on a map to depth, coverage and runoff risk."""

__version__ = "0.1.0"
