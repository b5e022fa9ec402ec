"""Annual water allowance and estimated use of the turf, as landscape rules compute them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from geoirrig.physics.plant_water_use import annual_coefficient
from geoirrig.physics.water_allowance import (
    ADJUSTMENT_FACTORS,
    IRRIGATION_EFFICIENCIES,
    average_adjustment_factor,
    estimated_total_water_use_gal,
    maximum_applied_water_allowance_gal,
)
from geoirrig.records import MeanYear, TurfAreas
from geoirrig.surfaces.root_zones import turf_root_zones
from geoirrig.units import MM_PER_INCH, SQUARE_METRES_PER_SQUARE_FOOT, FloatArray
from geoirrig.workflows.schedule_options import ScheduleOptions


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterAllowance:
    """Allowance and estimated use of a year, in the rule's own US units.

    Every turf polygon is a hydrozone of its own; arrays of shape (n_turf,).
    """

    rule: str  # a key of `ADJUSTMENT_FACTORS`
    eto_in: float
    turf_id: tuple[str, ...]
    plant_type: tuple[str, ...]
    plant_factor: FloatArray  # of the year, as printed
    irrigation_efficiency: FloatArray
    area_ft2: FloatArray

    @property
    def adjustment_factor(self) -> float:
        """ETAF of the rule. [1]."""
        return ADJUSTMENT_FACTORS[self.rule]

    @property
    def allowance_gal(self) -> float:
        """MAWA. [US gal/year]."""
        return float(
            maximum_applied_water_allowance_gal(
                self.eto_in, np.sum(self.area_ft2), adjustment_factor=self.adjustment_factor
            )
        )

    @property
    def estimated_use_gal(self) -> FloatArray:
        """Estimated water use of each polygon; the sum is ETWU. [US gal/year]."""
        return np.array(
            [
                estimated_total_water_use_gal(self.eto_in, [factor], [efficiency], [area])
                for factor, efficiency, area in zip(
                    self.plant_factor, self.irrigation_efficiency, self.area_ft2, strict=True
                )
            ]
        )

    @property
    def average_adjustment_factor(self) -> float:
        """Mean of plant factor over efficiency, by area. [1]."""
        return average_adjustment_factor(
            self.plant_factor, self.irrigation_efficiency, self.area_ft2
        )


def water_allowance(
    turf: TurfAreas, year: MeanYear, options: ScheduleOptions
) -> WaterAllowance | None:
    """Allowance and estimated use of all turf; None where the options ask for none.

    All turf counts as irrigated landscape, none as special landscape area. Efficiency is that of
    overhead spray, which all heads of a layout are; under the rule of 2009, its one for all.
    """
    if options.allowance is None:
        return None
    root_zones = turf_root_zones(turf, allowable_depletion=options.allowable_depletion)
    kind = "rule_of_2009" if options.allowance == "rule_of_2009" else "overhead_spray"
    n_turf = len(turf.turf_id)
    return WaterAllowance(
        rule=options.allowance,
        eto_in=float(np.sum(year.eto_mm)) / MM_PER_INCH,
        turf_id=tuple(str(name) for name in turf.turf_id),
        plant_type=root_zones.plant_type,
        plant_factor=np.array([annual_coefficient(p) for p in root_zones.plant_type]),
        irrigation_efficiency=np.full(n_turf, IRRIGATION_EFFICIENCIES[kind]),
        area_ft2=shapely.area(turf.geometry) / SQUARE_METRES_PER_SQUARE_FOOT,
    )
