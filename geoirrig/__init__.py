"""From sprinkler heads, turf and slope on a map to depth, coverage and runoff risk."""

from importlib.metadata import version

__version__ = version("geoirrig")
