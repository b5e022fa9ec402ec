"""Where the water of one irrigation event went."""

from __future__ import annotations

from dataclasses import dataclass

from geoirrig.units import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class EventBalance:
    """Depths at the end of an event; what was applied is the sum of the first three.

    Attributes
    ----------
    infiltrated_mm : ndarray of float64
        Taken in by the soil. [mm]
    stored_mm : ndarray of float64
        Still on the surface. [mm]
    runoff_mm : ndarray of float64
        Gone over the edge of the storage. [mm]
    peak_storage_mm : ndarray of float64
        Most that stood on the surface at any time. With unlimited storage this is the storage
        that would just have prevented runoff. [mm]
    """

    infiltrated_mm: FloatArray
    stored_mm: FloatArray
    runoff_mm: FloatArray
    peak_storage_mm: FloatArray
