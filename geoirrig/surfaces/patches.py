"""Connected cells of one class, traced as polygons."""

from __future__ import annotations

from typing import Any

import numpy as np
import rasterio.features
import rasterio.transform
import shapely
import shapely.geometry
from numpy.typing import NDArray

from geoirrig.grid.raster_grid import RasterGrid
from geoirrig.records import ObjectArray
from geoirrig.surfaces.turf_cells import area_index
from geoirrig.units import FloatArray


class Patches:
    """Connected cells of one class, as polygons, with means and sums over them."""

    def __init__(
        self, classes: NDArray[np.int32], grid: RasterGrid, *, min_area_m2: float = 0.0
    ) -> None:
        """Trace the patches: cells that share a side and a class; −1 is no class."""
        transform = rasterio.transform.from_origin(
            grid.left_m, grid.top_m, grid.cell_size_m, grid.cell_size_m
        )
        traced = [
            (shapely.geometry.shape(outline), int(value))
            for outline, value in rasterio.features.shapes(
                classes, mask=classes >= 0, connectivity=4, transform=transform
            )
        ]
        kept = [(area, value) for area, value in traced if area.area >= min_area_m2 - 1e-9]
        self.geometry: ObjectArray = np.empty(len(kept), dtype=object)
        self.geometry[:] = [area for area, _ in kept]
        self.class_index = np.array([value for _, value in kept], dtype=np.int64)
        self.area_m2 = shapely.area(self.geometry)
        label = area_index(self.geometry, grid)
        self._cells = np.flatnonzero(label >= 0)
        self._label = label.ravel()[self._cells]
        self._cell_area_m2 = grid.cell_area_m2

    def sums(self, values: NDArray[Any]) -> FloatArray:
        """Sum over each patch of value times cell area: litres where the values are mm."""
        inside = np.nan_to_num(values.ravel()[self._cells].astype(np.float64))
        total = np.bincount(self._label, weights=inside, minlength=len(self.geometry))
        return np.asarray(total * self._cell_area_m2)

    def means(self, values: NDArray[Any]) -> FloatArray:
        """Mean of a surface over each patch."""
        return self.sums(values) / self.area_m2

    def areas_of_classes(self, n_classes: int) -> ObjectArray:
        """All patches of each class as one multipolygon; empty where there is none."""
        areas: ObjectArray = np.empty(n_classes, dtype=object)
        order = np.argsort(self.class_index, kind="stable")
        edges = np.searchsorted(self.class_index[order], np.arange(n_classes + 1))
        for number in range(n_classes):
            own = self.geometry[order[edges[number] : edges[number + 1]]]
            areas[number] = (
                shapely.multipolygons(own) if len(own) else shapely.from_wkt("MULTIPOLYGON EMPTY")
            )
        return areas


def as_multipolygons(geometry: ObjectArray) -> ObjectArray:
    """The same areas, each as a multipolygon."""
    whole: ObjectArray = np.empty(len(geometry), dtype=object)
    whole[:] = [
        area if area.geom_type == "MultiPolygon" else shapely.multipolygons([area])
        for area in geometry
    ]
    return whole
