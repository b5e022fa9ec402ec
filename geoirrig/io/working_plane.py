"""The one plane in which a run works, and how every layer is brought into it.

The working CRS is that of the turf where it is projected and its areas are true; turf in degrees
or in a Mercator map is worked in the local UTM zone. Coordinates are then scaled to metres.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info
from pyproj.transformer import TransformerGroup

from geoirrig.errors import GeoirrigError, ProblemList
from geoirrig.records import ObjectArray, WorkingPlane
from geoirrig.units import METRES_PER_US_SURVEY_FOOT, FloatArray

AREAL_SCALE_ERROR_AT_MOST = 0.01  # beyond it a warning states the figure; judgement
_SAME_PLACE_M = 1e-3  # two CRSs that agree within it are taken for one


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneOfWork:
    """The working CRS with what is needed to bring layers into it.

    Attributes
    ----------
    record : WorkingPlane
        What is handed on.
    crs : pyproj.CRS
        The working CRS, horizontal part only.
    area : AreaOfInterest
        Where the turf lies, in degrees, so that the datum shift of that place is chosen.
    """

    record: WorkingPlane
    crs: pyproj.CRS
    area: AreaOfInterest


def plane_of_work(
    crs: pyproj.CRS, geometry: ObjectArray, *, place: str, problems: ProblemList
) -> PlaneOfWork | None:
    """The plane for turf in a CRS; None, with the problem noted, where there is none.

    Parameters
    ----------
    crs : pyproj.CRS
        CRS of the turf layer.
    geometry : ndarray of shapely geometries
        Turf in that CRS; None entries are passed over.
    place : str
        Name of the layer, for messages.
    problems : ProblemList
        Takes the problem, or the warning that another CRS is used.
    """
    flat = horizontal_crs(crs)
    if len(_finite_coordinates(geometry)) == 0:
        return None  # noted with the geometry
    try:
        _require_position(flat, place)
        west, south, east, north = _bounds_in_degrees(flat, geometry, place)
        area = AreaOfInterest(west, south, east, north)
        if flat.is_geographic or is_mercator(flat):
            why = "is in degrees" if flat.is_geographic else "is in a Mercator map of false areas"
            working = _local_utm_crs(flat, area, place)
            problems.warn(f"{_start(place)} {why} ({flat.name}); the run works in {working.name}.")
        else:
            working = flat
            _warn_of_areal_scale(flat, area, place, problems)
    except GeoirrigError as error:
        problems.add(str(error))
        return None
    record = WorkingPlane(
        crs_wkt=working.to_wkt(),
        crs_name=working.name,
        metres_per_unit=metres_per_unit(working),
    )
    return PlaneOfWork(record=record, crs=working, area=area)


def brought_into_plane(
    geometry: ObjectArray,
    crs: pyproj.CRS,
    plane: PlaneOfWork,
    *,
    place: str,
    problems: ProblemList,
) -> ObjectArray:
    """Geometries in the working plane [m]; None stays None.

    A datum shift that the installed tables know only roughly is a warning; a feature that the
    working CRS cannot show is a problem, and None.
    """
    coordinates, row = shapely.get_coordinates(geometry, return_index=True)
    moved = coordinates_in_plane(coordinates, crs, plane, place=place, problems=problems)
    there = geometry.copy()
    there[row[np.isnan(moved).any(axis=1)]] = None  # a ring through nowhere cannot be made
    moved = moved[~np.asarray(shapely.is_missing(there))[row]]
    return np.asarray(shapely.set_coordinates(there, moved), dtype=object)


def coordinates_in_plane(
    coordinates: FloatArray,
    crs: pyproj.CRS,
    plane: PlaneOfWork,
    *,
    place: str,
    problems: ProblemList,
) -> FloatArray:
    """Coordinates of shape (n, 2) in the working plane [m]; NaN stays NaN."""
    flat = horizontal_crs(crs)
    scale = plane.record.metres_per_unit
    if flat.equals(plane.crs, ignore_axis_order=True):
        return coordinates if scale == 1.0 else coordinates * scale
    transformer = transformer_into_plane(flat, plane, place=place, problems=problems)
    if transformer is None:
        return np.full_like(coordinates, np.nan)
    x, y = transformer.transform(coordinates[:, 0], coordinates[:, 1])
    moved = np.column_stack([x, y])
    is_lost = np.isinf(moved).any(axis=1)
    if is_lost.any():
        first = coordinates[is_lost][0]
        problems.add(
            f"{_start(place)}: {int(is_lost.sum())} positions, such as ({first[0]:g}, "
            f"{first[1]:g}), cannot be brought from {flat.name} into {plane.crs.name}. Is the CRS "
            "the one that the layer was surveyed in?"
        )
        moved[is_lost] = np.nan
    return moved * scale


def horizontal_crs(crs: pyproj.CRS) -> pyproj.CRS:
    """The horizontal part of a CRS: without a height system or a third axis."""
    flat = crs
    if flat.is_bound and flat.source_crs is not None:
        # A transformation that the file itself states; the tables know a better one.
        flat = flat.source_crs
    if flat.is_compound:
        flat = flat.sub_crs_list[0]
    if len(flat.axis_info) == 3:
        flat = flat.to_2d()
    return flat


def metres_per_unit(crs: pyproj.CRS) -> float:
    """Metres in one unit of a projected CRS: 1, 0.3048 or 1200/3937, exact."""
    factor = float(crs.axis_info[0].unit_conversion_factor)
    if abs(factor / METRES_PER_US_SURVEY_FOOT - 1.0) < 1e-9:
        return METRES_PER_US_SURVEY_FOOT
    return factor


def is_mercator(crs: pyproj.CRS) -> bool:
    """Whether a CRS is Web Mercator or another Mercator map, whose areas grow towards the poles."""
    operation = crs.coordinate_operation
    if operation is None:
        return False
    return operation.method_name.startswith(("Mercator", "Popular Visualisation"))


def _require_position(crs: pyproj.CRS, place: str) -> None:
    """Refuse a CRS that has no place on the earth, or axes that run the other way."""
    if not (crs.is_projected or crs.is_geographic):
        raise GeoirrigError(
            f"{_start(place)} has a CRS without a place on the earth ({crs.name}). Assign the "
            "projected CRS it was surveyed in."
        )
    if crs.is_projected and any(axis.direction == "west" for axis in crs.axis_info):
        raise GeoirrigError(
            f"{_start(place)} has a CRS whose axes run west and south ({crs.name}). Reproject it "
            "to one whose axes run east and north."
        )


def _bounds_in_degrees(
    crs: pyproj.CRS, geometry: ObjectArray, place: str
) -> tuple[float, float, float, float]:
    coordinates = _finite_coordinates(geometry)
    to_degrees = pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    longitude, latitude = to_degrees.transform(coordinates[:, 0], coordinates[:, 1])
    west, east = float(np.min(longitude)), float(np.max(longitude))
    south, north = float(np.min(latitude)), float(np.max(latitude))
    is_on_earth = west > -361.0 and east < 361.0 and south >= -90.0 and north <= 90.0
    if not (np.isfinite([west, south, east, north]).all() and is_on_earth):
        x, y = coordinates[0]
        raise GeoirrigError(
            f"{_start(place)} has positions, such as ({x:g}, {y:g}), that {crs.name} does not "
            "reach. Assign the CRS that it was surveyed in."
        )
    return west, south, east, north


def _finite_coordinates(geometry: ObjectArray) -> FloatArray:
    coordinates = shapely.get_coordinates(geometry)
    return np.asarray(coordinates[np.isfinite(coordinates).all(axis=1)])


def _local_utm_crs(crs: pyproj.CRS, area: AreaOfInterest, place: str) -> pyproj.CRS:
    """UTM zone at the middle of an area, on the layer's own datum where that has one."""
    x = (area.west_lon_degree + area.east_lon_degree) / 2.0
    y = (area.south_lat_degree + area.north_lat_degree) / 2.0
    middle = AreaOfInterest((x + 180.0) % 360.0 - 180.0, y, (x + 180.0) % 360.0 - 180.0, y)
    own_datum = (crs.geodetic_crs or crs).name
    for datum in (own_datum, "WGS 84"):
        found = query_utm_crs_info(datum_name=datum, area_of_interest=middle, contains=True)
        if found:
            return pyproj.CRS.from_epsg(int(found[0].code))
    raise GeoirrigError(
        f"{_start(place)} lies at latitude {y:.1f}, where no UTM zone is. Reproject it to a local "
        "projected CRS."
    )


def _warn_of_areal_scale(
    crs: pyproj.CRS, area: AreaOfInterest, place: str, problems: ProblemList
) -> None:
    x = (area.west_lon_degree + area.east_lon_degree) / 2.0
    y = (area.south_lat_degree + area.north_lat_degree) / 2.0
    try:
        scale = float(pyproj.Proj(crs).get_factors(x, y).areal_scale)
    except pyproj.exceptions.ProjError:  # PROJ cannot tell for this projection
        return
    if abs(scale - 1.0) > AREAL_SCALE_ERROR_AT_MOST:
        problems.warn(
            f"{_start(place)}: areas in {crs.name} are {scale:.3f} times the true ones at this "
            "site, and so are the areas and volumes of the results. Reproject the turf to a CRS "
            "made for the place."
        )


def transformer_into_plane(
    crs: pyproj.CRS, plane: PlaneOfWork, *, place: str, problems: ProblemList
) -> pyproj.Transformer | None:
    """The way from a CRS into the working CRS; a rough one is a warning, none a problem."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what it says is said below, with the layer's name
        group = TransformerGroup(
            crs,
            plane.crs,
            always_xy=True,
            area_of_interest=plane.area,  # type: ignore[arg-type]  # as in transformer_between
        )
    transformers = group.transformers
    if not transformers:
        problems.add(
            f"{_start(place)}: no way is known from {crs.name} to {plane.crs.name}. Reproject it."
        )
        return None
    if not group.best_available:
        accuracy = transformers[0].accuracy
        known = f"an accuracy of {accuracy:g} m" if accuracy >= 0.0 else "an unknown accuracy"
        problems.warn(
            f"{_start(place)} was brought from {crs.name} into {plane.crs.name} with {known}, "
            "since the better datum shift is not installed. Reproject it beforehand if that "
            "matters."
        )
    return transformers[0]


def transformer_between(
    source: pyproj.CRS, target: pyproj.CRS, area: AreaOfInterest
) -> pyproj.Transformer:
    """The way from one CRS to another that suits a place, x before y."""
    return pyproj.Transformer.from_crs(
        source,
        target,
        always_xy=True,
        area_of_interest=area,  # type: ignore[arg-type]  # pyproj's stub names a private twin
    )


def grid_north_turn_deg(crs: pyproj.CRS, plane: PlaneOfWork) -> float:
    """Bearing, in the working plane at the site, of another CRS's grid north; in (−180, 180]."""
    flat = horizontal_crs(crs)
    area = plane.area
    longitude = (area.west_lon_degree + area.east_lon_degree) / 2.0
    latitude = (area.south_lat_degree + area.north_lat_degree) / 2.0
    to_source = transformer_between(pyproj.CRS("EPSG:4326"), flat, area)
    x, y = to_source.transform(longitude, latitude)
    step = 1e-4 if flat.is_geographic else 10.0 / metres_per_unit(flat)
    east, north = transformer_between(flat, plane.crs, area).transform([x, x], [y, y + step])
    return float(np.degrees(np.arctan2(east[1] - east[0], north[1] - north[0])))


def is_same_plane(crs: pyproj.CRS, plane: PlaneOfWork, coordinates: NDArray[np.float64]) -> bool:
    """Whether two CRSs give some positions the same coordinates, whatever their names."""
    flat = horizontal_crs(crs)
    if flat.equals(plane.crs, ignore_axis_order=True):
        return True
    try:
        there = pyproj.Transformer.from_crs(flat, plane.crs, always_xy=True)
        x, y = there.transform(coordinates[:, 0], coordinates[:, 1])
    except pyproj.exceptions.ProjError:
        return False
    shift = np.abs(np.column_stack([x, y]) - coordinates) * plane.record.metres_per_unit
    return bool(np.max(shift) < _SAME_PLACE_M)


def _start(place: str) -> str:
    return place[:1].upper() + place[1:]
