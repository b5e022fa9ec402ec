"""Faults that an invented city may have: which lots have them, and whom they harm."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from city_lots import LOTS_ACROSS, LOTS_IN_BLOCK, Bools, Ints, block_counts

FAULTS = (
    "head_lacks_flow",
    "parcels_overlap",
    "turf_in_no_parcel",
    "turf_in_two_parcels",
    "heads_of_nobody",
    "unknown_texture",
    "ids_differ_in_case",
)
HARM_THE_NEIGHBOUR = ("parcels_overlap", "turf_in_two_parcels", "ids_differ_in_case")
# Places in a block that take a fault, so that no two of them have the same neighbour.
FAULT_PLACES = np.array((0, 2, 4, 6, 10, 12, 14, 16))


@dataclass(frozen=True, slots=True, kw_only=True)
class Faults:
    """Numbers of the lots with each fault in a city of so many parcels."""

    n_parcels: int
    lots: dict[str, Ints]

    def has(self, fault: str, number: Ints) -> Bools:
        """Whether lots have a fault."""
        return np.isin(number, self.lots[fault])

    def parcel_ids(self, number: Ints) -> pa.StringArray:
        """Ids of the parcels of lots: two that differ only in case where that is the fault."""
        shown, ending = number.copy(), np.full(len(number), "", dtype="<U1")
        twins = self.lots["ids_differ_in_case"]
        for twin, other in zip(twins, neighbours(twins, self.n_parcels), strict=True):
            ending[number == twin], ending[number == other] = "a", "A"
            shown[number == other] = twin
        digits = pc.utf8_lpad(pa.array(shown + 1).cast(pa.string()), width=6, padding="0")
        return pc.binary_join_element_wise("P", digits, pa.array(ending.tolist()), "")

    def table(self) -> pd.DataFrame:
        """Parcels with a fault, and the neighbour that it harms as well (empty: none)."""
        rows = []
        for fault, lots in self.lots.items():
            ids = self.parcel_ids(lots).to_pylist()
            others = self.parcel_ids(neighbours(lots, self.n_parcels)).to_pylist()
            if fault not in HARM_THE_NEIGHBOUR:
                others = [""] * len(ids)
            rows += [(one, fault, other) for one, other in zip(ids, others, strict=True)]
        return pd.DataFrame(rows, columns=["parcel_id", "fault", "other_parcel_id"])


def spread_faults(n_parcels: int, faults_each: int) -> Faults:
    """Put each fault into so many lots, spread over the city.

    Raises
    ------
    ValueError
        If there are not enough lots that can take a fault beside a sound neighbour.
    """
    counts = block_counts(n_parcels)
    first = np.cumsum(counts) - counts
    places = (first[counts == LOTS_IN_BLOCK, np.newaxis] + FAULT_PLACES).ravel()
    places = places[np.maximum(places, neighbours(places, n_parcels)) < n_parcels]
    wanted = faults_each * len(FAULTS)
    if wanted > len(places):
        raise ValueError(f"{n_parcels} parcels have room for {len(places)} faults, not {wanted}")
    chosen = places[np.linspace(0, len(places) - 1, wanted).astype(np.int64)]
    return Faults(
        n_parcels=n_parcels,
        lots={fault: chosen[k :: len(FAULTS)] for k, fault in enumerate(FAULTS)},
    )


def neighbours(lot: Ints, n_parcels: int) -> Ints:
    """The lots on the right of lots, seen from the street."""
    counts = block_counts(n_parcels)
    first = np.cumsum(counts) - counts
    place = lot - first[np.searchsorted(first, lot, side="right") - 1]
    return np.asarray(np.where(place < LOTS_ACROSS, lot + 1, lot - 1), dtype=np.int64)
