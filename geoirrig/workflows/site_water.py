"""The water of one event on one site: what every question about runoff starts with."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoirrig.records import EventPlan, PrecipitationSurface
from geoirrig.surfaces.precipitation_surface import (
    applied_depth_mm,
    event_plan,
    precipitation_surface,
    served_rates,
)
from geoirrig.units import FloatArray
from geoirrig.workflows.load_site import LoadedSite


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteWater:
    """Where the water of every zone lands, and one event of the plan as it stands."""

    precipitation: PrecipitationSurface
    served_rates_mm_h: tuple[FloatArray, ...]  # of the turf cells that each zone serves
    event: EventPlan
    depth_mm: NDArray[np.float32]  # (n_rows, n_cols), of the event


def lay_out_water(site: LoadedSite) -> SiteWater:
    """Superpose the heads of each zone and apply one event.

    Parameters
    ----------
    site : LoadedSite
        The checked inputs on their grid.

    Returns
    -------
    SiteWater
    """
    plan, on_turf = site.inputs.zone_plan, site.cells.turf_index >= 0
    precipitation = precipitation_surface(
        site.inputs.layout,
        len(plan.zone),
        site.grid,
        on_turf=on_turf,
        terrain=site.terrain if site.settings.throw_follows_slope else None,
    )
    served = served_rates(precipitation, on_turf)
    event = event_plan(plan, served, event_depth_mm=site.settings.event_depth_mm)
    return SiteWater(
        precipitation=precipitation,
        served_rates_mm_h=served,
        event=event,
        depth_mm=applied_depth_mm(precipitation, event),
    )
