"""What a checked site holds, for the answer of a mere check."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from geoirrig import __version__
from geoirrig.workflows.load_site import LoadedSite


def site_counts(site: LoadedSite) -> dict[str, Any]:
    """Counts, area and warnings of a site without problems."""
    inputs = site.inputs
    return {
        "version": __version__,
        "problems": [],
        "warnings": list(inputs.warnings),
        "crs": inputs.plane.crs_name,
        "head_count": len(inputs.layout.head_id),
        "zone_count": len(inputs.zone_plan.zone),
        "turf_count": len(inputs.turf.turf_id),
        "turf_area_m2": float(np.sum(shapely.area(inputs.turf.geometry))),
    }
