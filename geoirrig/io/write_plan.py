"""Results drawn as a DXF in plan coordinates, each layer of them on a layer of its own."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geoirrig.io.plan_entities import require_ezdxf
from geoirrig.records import ObjectArray

if TYPE_CHECKING:
    from ezdxf.layouts.layout import Modelspace

DXF_VERSION = "R2010"
_PREFIX = "GEOIRRIG_"
HEAD_BLOCK = f"{_PREFIX}HEAD"  # its x axis marks the edge from which the arc sweeps clockwise
MARK_BLOCK = f"{_PREFIX}MARK"
# DXF colour indices 1 to 6 of the standard palette: red, yellow, green, cyan, blue, magenta.
_COLOURS = (1, 5, 6, 3, 4, 2)
_TEXT_LONGEST = 250  # of an attribute; older readers cut at 255
_LETTER_M = 0.25  # height of a label on the ground
_SYMBOL_M = 0.15  # radius of a head's symbol on the ground


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanLayerDrawing:
    """A result layer in plan coordinates.

    Attributes
    ----------
    name : str
        Name of the result layer; the plan's layer is named after it.
    is_heads : bool
        Whether its points are heads; else they are marks.
    geometry : ndarray of shapely points or polygons
        In plan coordinates.
    labels : sequence of str
        What is written beside each; "" for nothing.
    attributes : mapping of str to sequence
        Columns, carried by the blocks of points.
    bearing_deg : sequence of float
        Points: bearing on the plan of the first edge of the arc; NaN where there is none.
    """

    name: str
    is_heads: bool
    geometry: ObjectArray
    labels: Sequence[str]
    attributes: Mapping[str, Sequence[Any]]
    bearing_deg: Sequence[float]

    @property
    def dxf_layer(self) -> str:
        """Layer of the plan that it is drawn on."""
        return f"{_PREFIX}{self.name.upper()}"


def write_plan(
    path: Path,
    drawings: Sequence[PlanLayerDrawing],
    *,
    unit_code: int,
    metres_per_plan_unit: float,
) -> dict[str, int]:
    """Write result layers as DXF R2010.

    Rings of polygons, holes too, are closed polylines with a label inside; points are inserts of
    the block `HEAD_BLOCK` or `MARK_BLOCK` with their columns as attributes, the first visible.

    Parameters
    ----------
    path : Path
        File to write.
    drawings : sequence of PlanLayerDrawing
        What is drawn.
    unit_code : int
        $INSUNITS of the plan; 0 for none.
    metres_per_plan_unit : float
        For the size of letters and symbols. [m]

    Returns
    -------
    dict
        Number of things drawn on each layer of the DXF.
    """
    require_ezdxf()
    from ezdxf.filemanagement import new

    drawing = new(DXF_VERSION)
    drawing.header["$INSUNITS"] = unit_code
    radius = _SYMBOL_M / metres_per_plan_unit
    head, mark = drawing.blocks.new(HEAD_BLOCK), drawing.blocks.new(MARK_BLOCK)
    head.add_circle((0.0, 0.0), radius)
    head.add_line((0.0, 0.0), (2.0 * radius, 0.0))
    mark.add_line((-radius, -radius), (radius, radius))
    mark.add_line((-radius, radius), (radius, -radius))
    space = drawing.modelspace()
    counts = {}
    for number, layer in enumerate(drawings):
        drawing.layers.add(layer.dxf_layer, color=_COLOURS[number % len(_COLOURS)])
        for row, geometry in enumerate(layer.geometry):
            if geometry is None or shapely.is_empty(geometry):
                continue
            if geometry.geom_type == "Point":
                _draw_point(space, layer, row, metres_per_plan_unit)
            else:
                _draw_polygons(space, layer, row, metres_per_plan_unit)
        counts[layer.dxf_layer] = len(layer.geometry)
    drawing.saveas(path)
    return counts


def _draw_polygons(
    space: Modelspace, layer: PlanLayerDrawing, row: int, metres_per_plan_unit: float
) -> None:
    style = {"layer": layer.dxf_layer}
    parts = [p for p in shapely.get_parts(layer.geometry[row]) if p.geom_type == "Polygon"]
    for polygon in parts:
        for ring in (polygon.exterior, *polygon.interiors):
            points = np.asarray(ring.coords)[:-1, :2]
            space.add_lwpolyline(points.tolist(), close=True, dxfattribs=style)
    if parts and layer.labels[row]:
        largest = max(parts, key=lambda part: part.area)
        inside = shapely.point_on_surface(largest)
        space.add_text(
            layer.labels[row][:_TEXT_LONGEST],
            height=_LETTER_M / metres_per_plan_unit,
            dxfattribs={**style, "insert": (inside.x, inside.y)},
        )


def _draw_point(
    space: Modelspace, layer: PlanLayerDrawing, row: int, metres_per_plan_unit: float
) -> None:
    place = layer.geometry[row]
    bearing = layer.bearing_deg[row]
    style = {"layer": layer.dxf_layer}
    insert = space.add_blockref(
        HEAD_BLOCK if layer.is_heads else MARK_BLOCK,
        (place.x, place.y),
        dxfattribs={**style, "rotation": 0.0 if math.isnan(bearing) else 90.0 - bearing},
    )
    height = _LETTER_M / metres_per_plan_unit
    for number, (column, values) in enumerate(layer.attributes.items()):
        text = _text(values[row])
        attribute = insert.add_attrib(
            _tag(column),
            text,
            (place.x + height, place.y + height),
            dxfattribs={**style, "height": height},
        )
        attribute.is_invisible = number > 0


def _tag(column: str) -> str:
    return column.upper().replace(" ", "_")


def _text(value: object) -> str:
    if value is None or value != value:
        return ""
    text = f"{value:.10g}" if isinstance(value, float) else str(value)
    # Not every reader decodes the attributes of blocks as the file says.
    return " ".join(text.replace("°", " deg").split())[:_TEXT_LONGEST]
