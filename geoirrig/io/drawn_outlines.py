"""Outlines of many polygons: as the bytes that they are stored in, and as rings of corners."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from geoirrig.city_records import PackedBytes, outline_rings, packed_bytes
from geoirrig.grid.polygon_rings import packed_rings
from geoirrig.grid.ring_kernels import Rings
from geoirrig.io.arrow_layer import ArrowLayer, bytes_of, from_wkb
from geoirrig.records import ObjectArray

_LITTLE_ENDIAN = 1
_POLYGON_KINDS = (3, 6)  # polygon, multipolygon: numbers of shapely


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnOutlines:
    """Outlines of many rows, as bytes and as corners."""

    wkb: PackedBytes
    rings: Rings

    def geometry(self, rows: NDArray[np.int64]) -> ObjectArray:
        """Those of some rows as shapely geometries; None where missing or broken."""
        return from_wkb(self.wkb.of_rows(rows))


def drawn_outlines(layer: ArrowLayer) -> DrawnOutlines:
    """The polygons of a layer as they are drawn; no ring where something else stands, or nothing.

    Bytes that lie as `packed_rings` reads them are taken as they are.
    """
    if layer.wkb.null_count:  # what lies there means nothing
        wkb = packed_bytes(np.asarray(layer.wkb.to_numpy(zero_copy_only=False), dtype=object))
    else:
        data, start = bytes_of(layer.wkb)
        wkb = PackedBytes(data=data, start=start)
    rings = packed_rings(wkb.data, wkb.start)
    return outlines_of(layer.geometry()) if rings is None else DrawnOutlines(wkb=wkb, rings=rings)


def outlines_of(geometry: ObjectArray) -> DrawnOutlines:
    """Polygons and multipolygons as bytes and rings; no ring where there is something else."""
    drawn = geometry.copy()
    drawn[~np.isin(shapely.get_type_id(geometry), _POLYGON_KINDS)] = None
    in_bytes = shapely.to_wkb(drawn, byte_order=_LITTLE_ENDIAN, output_dimension=2)
    wkb = packed_bytes(np.asarray(in_bytes, dtype=object))
    return DrawnOutlines(wkb=wkb, rings=outline_rings(wkb))
