"""The grid that every surface of a run lies on."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from geoirrig.units import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class RasterGrid:
    """Square cells in rows from north to south, in the working plane.

    The working plane is the working CRS scaled to metres: map coordinate times metres per map
    unit. Cell edges lie on whole multiples of the cell size; a value belongs to a cell's centre.

    Attributes
    ----------
    left_m, top_m : float
        West and north edge of the grid in the working plane. [m]
    cell_size_m : float
        Side of a cell, > 0. [m]
    n_rows, n_cols : int
        Size of the grid, each at least 1.
    """

    left_m: float
    top_m: float
    cell_size_m: float
    n_rows: int
    n_cols: int

    @classmethod
    def covering(
        cls, left_m: float, bottom_m: float, right_m: float, top_m: float, *, cell_size_m: float
    ) -> RasterGrid:
        """Smallest grid with edges on multiples of the cell size that covers a rectangle.

        Examples
        --------
        >>> RasterGrid.covering(0.1, 0.0, 1.9, 1.0, cell_size_m=0.5)
        RasterGrid(left_m=0.0, top_m=1.0, cell_size_m=0.5, n_rows=2, n_cols=4)
        """
        first_col, last_col = math.floor(left_m / cell_size_m), math.ceil(right_m / cell_size_m)
        first_row, last_row = math.floor(bottom_m / cell_size_m), math.ceil(top_m / cell_size_m)
        return cls(
            left_m=first_col * cell_size_m,
            top_m=last_row * cell_size_m,
            cell_size_m=cell_size_m,
            n_rows=max(1, last_row - first_row),
            n_cols=max(1, last_col - first_col),
        )

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.n_rows, self.n_cols

    @property
    def cell_area_m2(self) -> float:
        """Area of one cell, in m²."""
        return self.cell_size_m**2

    @property
    def bounds_m(self) -> tuple[float, float, float, float]:
        """West, south, east and north edge in the working plane, in metres."""
        return (
            self.left_m,
            self.top_m - self.n_rows * self.cell_size_m,
            self.left_m + self.n_cols * self.cell_size_m,
            self.top_m,
        )

    def cell_centre_x_m(self) -> FloatArray:
        """Eastings of the cell centres of one row, in metres, shape (n_cols,)."""
        return np.asarray(
            self.left_m + (np.arange(self.n_cols) + 0.5) * self.cell_size_m, np.float64
        )

    def cell_centre_y_m(self) -> FloatArray:
        """Northings of the cell centres of one column, north first, in metres, shape (n_rows,)."""
        return np.asarray(
            self.top_m - (np.arange(self.n_rows) + 0.5) * self.cell_size_m, np.float64
        )

    def window(self, row: int, col: int, n_rows: int, n_cols: int) -> RasterGrid:
        """The part of this grid that starts at (row, col) and has the given size."""
        return RasterGrid(
            left_m=self.left_m + col * self.cell_size_m,
            top_m=self.top_m - row * self.cell_size_m,
            cell_size_m=self.cell_size_m,
            n_rows=n_rows,
            n_cols=n_cols,
        )
