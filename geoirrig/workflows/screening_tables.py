"""Tables of a screening for other programs: CSV and GeoParquet."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from geoirrig.city_records import PackedBytes, packed_bytes
from geoirrig.io.write_geoparquet import arrow_bytes, write_csv_in_bulk, write_geoparquet
from geoirrig.records import WorkingPlane


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreeningTables:
    """What they are written from."""

    folder: Path
    columns: Any  # a table of Arrow
    outlines: PackedBytes
    plane: WorkingPlane


def write_csv(tables: ScreeningTables) -> None:
    """Write ``screening.csv``."""
    write_csv_in_bulk(tables.folder / "screening.csv", tables.columns)


def write_parquet(tables: ScreeningTables) -> None:
    """Write ``screening.parquet``."""
    outlines = _on_map(tables.outlines, tables.plane.metres_per_unit)
    write_geoparquet(
        tables.folder / "screening.parquet",
        tables.columns,
        arrow_bytes(outlines),
        tables.plane,
        _kinds(outlines),
    )


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
