"""Corners of the turf without a head, and strips narrower than the throw of their heads."""

from __future__ import annotations

import numpy as np
import shapely

from geoirrig.records import SprinklerLayout
from geoirrig.surfaces.head_findings import (
    NEIGHBOUR_BEARING_TOLERANCE_DEG,
    NEIGHBOUR_DISTANCE_TOLERANCE,
)
from geoirrig.surfaces.layout_finding import LayoutFinding, severity
from geoirrig.surfaces.narrow_areas import narrow_part
from geoirrig.surfaces.turf_neighbourhood import Neighbourhood
from geoirrig.units import FloatArray, length_text

# Common practice, no source: a head in every corner of the turf. The sizes are judgement.
LEAST_TURN_DEG = 60.0  # by which the edge turns: blunter ones a half head waters
LEAST_SIDE_SHARE = 0.5  # of the throw: both sides of a corner, else it is a step in the edge
NEAR_CORNER_SHARE = 0.25  # of the throw: a head this near stands in the corner
STRAIGHTENED_M = 0.2  # bends of the edge smaller than this are none
# Strips: throwing less than half as far as a nozzle is made for is too much to ask of it.
NARROW_SEVERITY_STEPS = (1.33, 2.0)  # throw over width
LEAST_STRIP_SHARE = 1.0  # of the throw: shorter strips are mere nooks. Judgement.
ON_STRIP_SHARE = 0.25  # of its width: heads this near stand on a strip. Judgement.
_WIDTH_ACCURACY_M = 0.05


def corner_findings(layout: SprinklerLayout, lawn: Neighbourhood) -> list[LayoutFinding]:
    """Corners of a lawn that no head stands in, with how far the nearest one is.

    Severity goes by how many heads reach the corner: none is high, one medium.
    """
    corner, turn, side = _corners(lawn)
    if not len(corner):
        return []
    x, y = layout.x_m[lawn.heads], layout.y_m[lawn.heads]
    radius = layout.radius_m[lawn.heads]
    east, north = corner[:, :1] - x, corner[:, 1:] - y  # (n_corners, n_heads)
    away = np.hypot(east, north)
    nearest = np.argmin(np.round(away, 3), axis=1)  # of equally near ones the first
    throw = radius[nearest]
    distance = away[np.arange(len(corner)), nearest]
    is_empty = (distance > NEAR_CORNER_SHARE * throw) & (side >= LEAST_SIDE_SHARE * throw)
    swept = np.degrees(np.arctan2(east, north)) - layout.start_bearing_deg[lawn.heads]
    slack = NEIGHBOUR_BEARING_TOLERANCE_DEG
    in_arc = (swept + slack) % 360.0 <= layout.arc_deg[lawn.heads] + 2.0 * slack
    in_reach = away <= radius * (1.0 + NEIGHBOUR_DISTANCE_TOLERANCE)
    reaching = np.count_nonzero(in_arc & in_reach, axis=1)
    found = []
    for row in np.flatnonzero(is_empty):
        head = int(lawn.heads[nearest[row]])
        found.append(
            LayoutFinding(
                kind="corner_without_head",
                severity=("high", "medium", "low")[min(int(reaching[row]), 2)],
                x_m=float(corner[row, 0]),
                y_m=float(corner[row, 1]),
                measured_value=float(distance[row]),
                limit_value=float(NEAR_CORNER_SHARE * throw[row]),
                value_unit="m",
                sentence=f"No head stands in this corner of {180.0 - turn[row]:.0f}°: the nearest, "
                f"{layout.head_id[head]}, is {length_text(distance[row])} away; "
                f"{_count(int(reaching[row]))} the corner.",
                head=head,
                zone=int(layout.zone_index[head]),
                is_on_turf=True,
            )
        )
    return found


def _count(heads: int) -> str:
    return ("no head reaches", "one head reaches")[heads] if heads < 2 else f"{heads} heads reach"


def _corners(lawn: Neighbourhood) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Places (n, 2) of outward corners, how far the edge turns there, and the shorter side."""
    places, turns, sides = [np.empty((0, 2))], [np.empty(0)], [np.empty(0)]
    plain = shapely.normalize(shapely.simplify(lawn.area, STRAIGHTENED_M))
    for ring in shapely.get_rings(plain):  # turf on the right: shells clockwise, holes not
        place = shapely.get_coordinates(ring)[:-1]
        comes, goes = place - np.roll(place, 1, axis=0), np.roll(place, -1, axis=0) - place
        cross = comes[:, 0] * goes[:, 1] - comes[:, 1] * goes[:, 0]
        turn = np.degrees(np.arctan2(-cross, np.sum(comes * goes, axis=1)))
        is_corner = turn >= LEAST_TURN_DEG - 1e-9
        length = np.hypot(comes[:, 0], comes[:, 1])
        places.append(place[is_corner])
        turns.append(turn[is_corner])
        sides.append(np.minimum(length, np.roll(length, -1))[is_corner])
    return np.concatenate(places), np.concatenate(turns), np.concatenate(sides)


def strip_findings(layout: SprinklerLayout, lawn: Neighbourhood) -> list[LayoutFinding]:
    """Strips of a lawn that are narrower than the heads on them throw.

    A strip is a part where a circle as wide as the longest throw finds no room, and longer than the
    throw. Its width is that of the widest circle inside it. Told is the head on it that throws
    farthest, and how many throw farther than the strip is wide.
    """
    places = shapely.points(layout.x_m[lawn.heads], layout.y_m[lawn.heads])
    found = []
    # Lawns are drawn as wide as the heads throw: a circle that just fits must find its room.
    widest = float(np.max(layout.radius_m[lawn.heads])) * (1.0 - NEIGHBOUR_DISTANCE_TOLERANCE)
    for strip in shapely.get_parts(narrow_part(lawn.area, widest)):
        circle = shapely.maximum_inscribed_circle(strip, tolerance=_WIDTH_ACCURACY_M)
        width = 2.0 * circle.length
        long = shapely.length(shapely.boundary(strip)) / 2.0 - width
        on_it = lawn.heads[shapely.dwithin(strip, places, ON_STRIP_SHARE * width)]
        too_far = on_it[layout.radius_m[on_it] > width * (1.0 + NEIGHBOUR_DISTANCE_TOLERANCE)]
        if not len(too_far):
            continue
        head = int(too_far[np.argmax(np.round(layout.radius_m[too_far], 3))])
        throw = float(layout.radius_m[head])
        if long < LEAST_STRIP_SHARE * throw:
            continue
        middle = shapely.get_point(circle, 0)
        zones = set(layout.zone_index[too_far].tolist())
        found.append(
            LayoutFinding(
                kind="narrow_strip",
                severity=severity(throw / width, NARROW_SEVERITY_STEPS),
                x_m=float(middle.x),
                y_m=float(middle.y),
                measured_value=width,
                limit_value=throw,
                value_unit="m",
                sentence=f"A strip {length_text(width)} wide and {length_text(long)} long: "
                + _throwing(str(layout.head_id[head]), length_text(throw), len(too_far)),
                head=head,
                zone=zones.pop() if len(zones) == 1 else None,
                is_on_turf=True,
            )
        )
    return found


def _throwing(head_id: str, throw: str, count: int) -> str:
    if count == 1:
        return f"head {head_id} on it throws {throw}, farther than it is wide."
    return f"{count} heads on it throw farther than it is wide, {head_id} farthest with {throw}."
