"""What `optimize` prints on standard output."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any

from rich.console import Console

from geoirrig.cli.report_text import print_cautions, results_table
from geoirrig.maps.proposal_sheet import bound_text
from geoirrig.units import UnitSystem

# SI column: short title, decimals in SI, decimals in US units.
_ZONE_COLUMNS = {
    "zone": ("Zone", 0, 0),
    "du_lq_before": ("DU lq", 3, 3),
    "du_lq_after": ("After", 3, 3),
    "du_lq_bound": ("At most", 3, 3),
    "gap_pct": ("Gap %", 1, 1),
    "refit": ("Refit", 0, 0),
    "added": ("Add", 0, 0),
    "flow_before_lpm": ("Flow", 1, 1),
    "flow_after_lpm": ("After", 1, 1),
    "seconds": ("Sec.", 0, 0),
}
_PERCENT = 100.0
_CHANGES_SAID = 5


def print_proposal(summary: Mapping[str, Any], *, units: UnitSystem) -> None:
    """Print zones before and after with their bounds, and what is to be changed."""
    console = Console(highlight=False)
    count = Counter((change["zone"], change["change"]) for change in summary["changes"])
    zones = [
        {
            **zone,
            "du_lq_bound": bound_text(zone["du_lq_bound"]),
            "gap_pct": _PERCENT * zone["gap"],
            "refit": count[zone["zone"], "refit"],
            "added": count[zone["zone"], "add a head"],
        }
        for zone in summary["zones"]
    ]
    console.print(
        results_table("Zones, as they stand and as proposed", _ZONE_COLUMNS, zones, units)
    )
    console.print(
        "DU lq: low-quarter uniformity. At most: proven, no choice of those tried is more even.",
        markup=False,
        soft_wrap=True,
    )
    console.print(summary["finding"], markup=False, soft_wrap=True)
    changes = summary["changes"]
    for change in changes[:_CHANGES_SAID]:
        console.print(
            f"  {change['head_id']}: {change['instruction']}", markup=False, soft_wrap=True
        )
    if len(changes) > _CHANGES_SAID:
        console.print(f"  … and {len(changes) - _CHANGES_SAID} more in changes.csv.", markup=False)
    if changes:
        console.print(
            "To analyse the proposal, run analyze as ever and add --heads proposal.gpkg.",
            markup=False,
            soft_wrap=True,
        )
    print_cautions(console, summary)
