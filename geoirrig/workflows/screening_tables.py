"""The parcels of a screening as GeoParquet, from outlines that stay bytes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import shapely

from geoirrig.city_records import PackedBytes, packed_bytes
from geoirrig.io.write_geoparquet import arrow_bytes, write_geoparquet
from geoirrig.records import WorkingPlane


def write_parcels(path: Path, columns: Any, outlines: PackedBytes, plane: WorkingPlane) -> None:
    """Write an Arrow table of parcels with their outlines, which are in metres."""
    on_map = _on_map(outlines, plane.metres_per_unit)
    write_geoparquet(path, columns, arrow_bytes(on_map), plane, _kinds(on_map))


def _on_map(outlines: PackedBytes, metres_per_unit: float) -> PackedBytes:
    """Outlines in map units."""
    if metres_per_unit == 1.0:
        return outlines
    geometry = np.asarray(shapely.from_wkb(outlines.of_all()), dtype=object)
    on_map = shapely.transform(geometry, lambda metres: metres / metres_per_unit)
    return packed_bytes(np.asarray(shapely.to_wkb(on_map), dtype=object))


def _kinds(outlines: PackedBytes) -> list[str]:
    """Kinds that occur; the number of the kind stands behind the flag for its order of bytes."""
    start = outlines.start[:-1][np.diff(outlines.start) > 0]
    is_lowest_first = outlines.data[start] == 1
    kind = outlines.data[np.where(is_lowest_first, start + 1, start + 4)]
    names = {3: "Polygon", 6: "MultiPolygon"}
    return [names[k] for k in np.unique(kind).tolist() if k in names]
