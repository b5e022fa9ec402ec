"""Default styles of the result layers and rasters, as QML and SLD documents.

QML is what open desktop viewers read from the ``layer_styles`` table of a GeoPackage and from a
file beside a raster; SLD 1.0 (OGC 02-070) says the same to other software. Both are made from the
classes in `geoirrig.symbology`, and no text of the user enters either.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from geoirrig.io.qml_style import layer_qml, table_qml
from geoirrig.io.result_columns import RESULT_COLUMNS
from geoirrig.io.sld_style import layer_sld
from geoirrig.io.style_designs import layer_designs
from geoirrig.units import UnitSystem


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerStyle:
    """One named style of a layer, ready to be stored."""

    name: str
    description: str
    qml: str
    sld: str


def layer_styles(
    layer: str, columns: Sequence[str], geometry_type: str | None, *, units: UnitSystem
) -> tuple[LayerStyle, ...]:
    """Styles of a result layer, the default first; empty for a layer without a design.

    An attribute table has one, which gives its columns their titles.

    Parameters
    ----------
    layer : str
        Name of the layer.
    columns : sequence of str
        SI names of its columns; styles that need a column that is not there are left out.
    geometry_type : str or None
        "Point", "Polygon" or "MultiPolygon"; None for an attribute table.
    units : {"si", "us"}
        Unit system in which the columns are written.
    """
    present = [column for column in columns if column in RESULT_COLUMNS]
    if geometry_type is None:
        titles = LayerStyle(
            name="Titles",
            description="Titles of the columns",
            qml=table_qml(present, units),
            sld="",
        )
        return (titles,) if present else ()
    return tuple(
        LayerStyle(
            name=design.name,
            description=design.description,
            qml=layer_qml(design, present, geometry_type, units),
            sld=layer_sld(design, layer, units),
        )
        for design in layer_designs(layer, units)
        if {*design.columns, design.label_column} - {None} <= set(present)
    )
