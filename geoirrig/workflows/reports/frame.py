"""What the pages of the commands beside the main job share: frame, pictures, map of the site."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import shapely

from geoirrig import symbology
from geoirrig.report.report_page import (
    Content,
    PlaceLayer,
    ReportMap,
    ReportPage,
    ReportSection,
)
from geoirrig.units import UnitSystem
from geoirrig.wording import led_by
from geoirrig.workflows.reports.parts import picture, provenance
from geoirrig.workflows.reports.places import LayerLook, left_off_note, plain_layer
from geoirrig.workflows.run_record import RunRecord

if TYPE_CHECKING:  # a city is told of without all that reads a site
    from geoirrig.records import ObjectArray, SiteInputs
    from geoirrig.workflows.load_site import LoadedSite

HEAD_LOOK = LayerLook(label="heads", named="Head {}", colour=symbology.HEAD_COLOUR, drawn_as="dot")
_ROOM = 0.03  # around what is drawn, of its longer side


def command_page(  # noqa: PLR0913 - the parts of a page, each named
    record: RunRecord,
    units: UnitSystem,
    *,
    title: str,
    lead: str,
    site_map: ReportMap | None,
    content: Sequence[Content | None],
    pictures: tuple[Content, ...],
    method: tuple[str, ...],
) -> ReportPage:
    """A page of results and pictures, with what the run says of itself."""
    names = {file.role: file.name for file in record.files}
    site = names.get("site") or names.get("heads")
    return ReportPage(
        title=f"{title}: {site}" if site else title,
        lead=led_by(units, lead),
        units=units,
        figures=(),
        map=site_map,
        sections=filled_sections(
            ("Results", tuple(_led_by(units, part) for part in content)),
            ("The results as pictures", pictures),
        ),
        method=tuple(led_by(units, text) for text in method),
        provenance=provenance(record, units),
        warnings=tuple(led_by(units, text) for text in record.warnings),
        cautions=record.cautions,
    )


def _led_by(units: UnitSystem, part: Content | None) -> Content | None:
    return led_by(units, part) if isinstance(part, str) else part


def filled_sections(
    *sections: tuple[str, Sequence[Content | None]],
) -> tuple[ReportSection, ...]:
    """Sections by heading, without what is None and without those in which nothing is left."""
    return tuple(
        ReportSection(heading=heading, content=tuple(part for part in content if part is not None))
        for heading, content in sections
        if any(part is not None for part in content)
    )


def pictures_of(folder: Path, names: Sequence[str]) -> tuple[Content, ...]:
    """Pictures that the run has drawn into its folder."""
    drawn = (
        picture(
            folder / name,
            caption=name.removesuffix(".png").replace("_", " ").capitalize(),
            alternative="Picture of the results; its figures stand in the tables above.",
        )
        for name in names
    )
    return tuple(one for one in drawn if one is not None)


def map_of_site(
    site: LoadedSite,
    *,
    areas: Sequence[PlaceLayer | None] = (),
    points: Sequence[PlaceLayer | None] = (),
) -> ReportMap:
    """Turf, hardscape and heads, with the results upon them."""
    inputs = site.inputs
    turf = LayerLook(
        label="turf", named="Turf {}", colour=symbology.TURF_LINE_COLOUR, drawn_as="outline"
    )
    ground = (
        hardscape_layer(inputs),
        plain_layer(inputs.turf.geometry, inputs.turf.turf_id, turf),
    )
    places = np.asarray(shapely.points(inputs.layout.x_m, inputs.layout.y_m), dtype=object)
    upon = plain_layer(places, inputs.layout.head_id, HEAD_LOOK)
    return ReportMap(
        bounds_m=site.grid.bounds_m,
        metres_per_unit=inputs.plane.metres_per_unit,
        layers=tuple(layer for layer in (*ground, *areas, upon, *points) if layer is not None),
        note=left_off_note({"turf": len(inputs.turf.turf_id), "heads": len(places)}),
    )


def framed_bounds(geometry: Iterable[ObjectArray]) -> tuple[float, float, float, float]:
    """West, south, east and north of all that is drawn, with a little room around it, in metres.

    Parameters
    ----------
    geometry : iterable of ndarray of shapely geometries
        What is drawn; None has no place. Where nothing has one, the frame is a metre wide.
    """
    boxes = [shapely.box(*shapely.total_bounds(shapes)) for shapes in geometry]
    drawn = [box for box in boxes if np.isfinite(shapely.bounds(box)).all()]
    west, south, east, north = (
        float(edge) for edge in shapely.total_bounds(drawn or [shapely.box(0.0, 0.0, 1.0, 1.0)])
    )
    room = _ROOM * max(east - west, north - south, 1.0)
    return west - room, south - room, east + room, north + room


def hardscape_layer(inputs: SiteInputs) -> PlaceLayer | None:
    """Paved ground of a site, where it states any."""
    if inputs.hardscape is None:
        return None
    look = LayerLook(label="hardscape", colour=symbology.HARDSCAPE_COLOUR, drawn_as="area")
    return plain_layer(inputs.hardscape.geometry, inputs.hardscape.surface, look)
