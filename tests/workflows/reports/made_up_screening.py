"""A screened city of any size, made up without working it, for the tests of its report."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from geoirrig.records import ResultTable
from geoirrig.workflows.run_record import RunRecord

RECORD = RunRecord(
    files=(), options={}, crs_name="some CRS", cell_size_m=0.25, warnings=(), cautions=("Care.",)
)


def made_up_parcels(n_parcels: int, *, ranked: int, funded: int, failed: int) -> ResultTable:
    """Parcels of 20 m by 30 m in rows of 400: ranked ones, failed ones, refused ones, mixed.

    Parcel ``order[k]`` has rank k + 1, where ``order`` steps through the city by a prime.
    """
    number = np.arange(n_parcels)
    order = number * 7919 % n_parcels
    rank = np.full(n_parcels, None, dtype=object)
    rank[order[:ranked]] = np.arange(1, ranked + 1).tolist()
    status = np.ones(n_parcels, dtype=np.int64)
    status[order[:ranked]] = 2
    status[order[:funded]] = 3
    status[order[ranked : ranked + failed]] = 0
    left, bottom = 500_000.0 + 20.0 * (number % 400), 4_600_000.0 + 30.0 * (number // 400)
    figures = np.where(status == 0, np.nan, 10.0 + number % 977)
    reasons = np.array(
        [
            ""
            if code > 1
            else f"Its turf has {n % 89} m² and must have at least 90 m². {n % 7} zones are at "
            f"least {n % 7 + 1} too few for the terms of this programme."
            for n, code in enumerate(status)
        ],
        dtype=object,
    )
    return ResultTable(
        name="parcels",
        columns={
            "parcel_id": np.array([f"P-{n:06d}" for n in number], dtype=object),
            "eligible": status > 1,
            "reasons": reasons,
            "head_count": 5 + number % 40,
            "water_saved_m3_year": figures,
            "runoff_avoided_m3_year": figures / 3.0,
            "cost": figures * 2.5,
            "rebate": figures * 0.7,
            "levelised_cost_per_m3": figures / 411.0,
            "benefit_cost_ratio": figures / 97.0,
            "payback_years": figures / 53.0,
            "rank": rank,
            "funded": status == 3,
            "status_code": status,
        },
        geometry=np.asarray(shapely.box(left, bottom, left + 19.0, bottom + 29.0), dtype=object),
        geometry_type="MultiPolygon",
    )


def made_up_summary(parcels: ResultTable, **changes: Any) -> dict[str, Any]:
    """What the summary of that screening says, as far as its report needs it."""
    failed = np.flatnonzero(parcels.columns["status_code"] == 0)
    return {
        "options": {"units": "si"},
        "programme": "A programme",
        "currency": "USD",
        "finding": "A finding.",
        "funding_rule": "A rule.",
        "refused_by": {"least turf": 3},
        "failures": [
            {"parcel_id": parcels.columns["parcel_id"][row], "reason": f"Reason {row}."}
            for row in failed
        ],
        "left_out": [],
        **changes,
    }
