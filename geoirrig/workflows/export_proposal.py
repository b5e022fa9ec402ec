"""Write a proposed layout: input layer, changes, picture and summary, whole or not at all."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoirrig.io.columns import listed
from geoirrig.io.output_folder import whole_output
from geoirrig.io.write_layers import write_layers
from geoirrig.io.write_summary import write_summary
from geoirrig.io.write_tables import table_records, totals_record, write_csv
from geoirrig.maps.proposal_sheet import (
    ProposalPanel,
    ProposalPicture,
    bound_text,
    draw_proposal,
)
from geoirrig.records import ResultTable, SprinklerLayout
from geoirrig.report.write_report import write_report
from geoirrig.surfaces.zone_turf import served_zone
from geoirrig.units import PERCENT, UnitSystem
from geoirrig.wording import counted
from geoirrig.workflows.layout_proposal import proposal_tables
from geoirrig.workflows.optimize_layout import OptimizedSite, ZoneMeasures
from geoirrig.workflows.reports.commands import proposal_report
from geoirrig.workflows.run_record import CAUTIONS, Progress, run_record
from geoirrig.workflows.site_water import lay_out_water
from geoirrig.workflows.zone_case import OptimizeOptions

_SAME_FLOW = 0.05  # a difference of this share is no other flow (computed rule)
PROPOSAL_CAUTIONS = (
    "A proposal is computed: before buying, measure the pressure at the heads while the zone runs; "
    "nozzles of another flow change it.",
    "Nozzles of another flow need another run time: set the clock anew.",
    "A bound holds on the cells of this grid, for the fittings that were tried and the limits on "
    "flow, overspray, spread of rates and dry turf, with the other zones as proposed.",
    *CAUTIONS,
)
SHORT_THROWS_CAUTION = (
    "That heads reach their neighbours was no limit of the choice: analyse the proposal and look "
    "for gaps among its layout findings."
)


def export_proposal(  # noqa: PLR0913 - as the exports of the other commands, and the limits
    found: OptimizedSite,
    out_dir: Path,
    *,
    units: UnitSystem,
    overwrite: bool,
    options: Mapping[str, Any],
    with_report: bool = False,
    limits: OptimizeOptions,
    progress: Progress = lambda _: None,
) -> dict[str, Any]:
    """Write all outputs of a proposal into a folder.

    Parameters
    ----------
    found : OptimizedSite
        The layout as it stands and as proposed.
    out_dir : Path
        The folder; made if it is not there.
    units : {"si", "us"}
        Unit system of changes, zones, picture and summary. The layer ``heads`` is an input file of
        an analysis and stays in SI, so that it gives the same figures.
    overwrite : bool
        Whether results that lie there may be replaced.
    options : mapping
        Options of the command line, for the record.
    with_report : bool, optional
        Whether ``report.html`` is written too.
    limits : OptimizeOptions
        What the proposal was computed with, for the record.
    progress : callable, optional
        Told the name of each step as it begins.

    Returns
    -------
    dict
        The summary that was written.

    Raises
    ------
    OutputError
        If the results cannot be written.
    """
    heads, changes, zones = proposal_tables(found)
    reaches = limits.candidates.reaches_neighbour
    record = run_record(
        found.site,
        options={**options, "limits": _stated(limits)},
        units=units,
        warnings=(*found.site.inputs.warnings, *found.warnings, *_clock_warnings(found)),
        cautions=PROPOSAL_CAUTIONS if reaches else (SHORT_THROWS_CAUTION, *PROPOSAL_CAUTIONS),
    )
    progress("Laying out the water of the two layouts")
    picture = _picture(found, changes)
    finding = proposal_finding(zones, changes)
    summary = {
        **record.summary_head(),
        "finding": finding,
        "totals": totals_record(_totals(picture), units),
        "zones": table_records(zones, units),
        "changes": table_records(changes, units),
        **record.summary_tail(),
    }
    with whole_output(out_dir, overwrite=overwrite) as folder:
        progress("Writing layers and table")
        write_layers(
            folder / "proposal.gpkg",
            [changes, zones],
            found.site.inputs.plane,
            units=units,
            run_info={**record.run_info(), "finding": finding},
            input_layers=[heads],
        )
        write_csv(folder / "changes.csv", changes, units=units)
        progress("Drawing the two layouts side by side")
        draw_proposal(
            folder,
            found.site.inputs,
            picture,
            finding=finding,
            cautions=record.cautions,
            units=units,
        )
        if with_report:
            progress("Writing the report")
            page = proposal_report(found.site, summary, (changes, zones), record, folder)
            write_report(folder / "report.html", page)
        write_summary(folder / "summary.json", summary)
    return summary


def proposal_finding(zones: ResultTable, changes: ResultTable) -> str:
    """What a proposal comes to: the least even zone that gains, its bound, and how much work it is.

    Parameters
    ----------
    zones, changes : ResultTable
        Tables ``optimized_zones`` and ``changes``.
    """
    before, after = zones.columns["du_lq_before"], zones.columns["du_lq_after"]
    bound, gap = zones.columns["du_lq_bound"], zones.columns["gap"]
    is_worked = np.isfinite(bound)
    if not is_worked.any():
        return "No zone has turf to water, so there is nothing to choose."
    is_changed = is_worked & (zones.columns["changed_head_count"] > 0)
    candidates = np.flatnonzero(is_changed if is_changed.any() else is_worked)
    had = np.nan_to_num(before)  # a zone that waters no turf today has no evenness
    zone = candidates[np.argmin(had[candidates])]
    today = f"{before[zone]:.3f}" if np.isfinite(before[zone]) else "none, no turf is watered,"
    steps = f"{today} → {after[zone]:.3f}" if is_changed.any() else "stays as it is"
    text = (
        f"Zone {zones.columns['zone'][zone]}: evenness (DU, low quarter) {steps}; of the nozzles, "
        f"arcs, bearings and radii tried, no choice within the limits can beat "
        f"{bound_text(bound[zone])} (gap {PERCENT * gap[zone]:.1f} %)."
    )
    if not is_changed.any():
        return f"No head is to be changed. {text}"
    n_added = int(np.count_nonzero(changes.columns["change"] == "add a head"))
    n_refit = len(changes.columns["change"]) - n_added
    work = f"{counted(n_refit, 'head')} to refit" + (
        f", {counted(n_added, 'head')} to add" if n_added else ""
    )
    n_better = int(np.count_nonzero(np.round(after - had, 3)[is_worked] > 0.0))
    return f"{text} {n_better} of {np.count_nonzero(is_worked)} zones get more even: {work}."


def _clock_warnings(found: OptimizedSite) -> list[str]:
    """Zones whose planned minutes give another depth than today."""
    plan = found.site.inputs.zone_plan
    flow_share = found.after.flow_lpm / found.before.flow_lpm
    zones = [
        f"{zone} ({PERCENT * share:.0f} %)"
        for zone, minutes, share in zip(plan.zone, plan.run_minutes, flow_share, strict=True)
        if np.isfinite(minutes) and abs(share - 1.0) > _SAME_FLOW
    ]
    if not zones:
        return []
    return [
        "zones: the proposal is computed with the run minutes of the plan, while the flow becomes "
        f"another: {listed(zones, at_most=5)} of today's. Set the minutes anew; what runs off then "
        "is told by analyze."
    ]


def _stated(limits: OptimizeOptions) -> dict[str, Any]:
    """Limits and effort as plain values; what is endless is not stated."""
    stated = dataclasses.asdict(limits)
    stated |= stated.pop("candidates")
    return {
        name: value
        for name, value in stated.items()
        if not isinstance(value, float) or math.isfinite(value)
    }


# --- what is drawn, and summed up ----------------------------------------------------------------


def _picture(found: OptimizedSite, changes: ResultTable) -> ProposalPicture:
    layout = found.proposal
    touched = np.isin(layout.head_id, changes.columns["head_id"])
    added = np.arange(len(layout.head_id)) >= len(found.site.inputs.layout.head_id)
    bounds = [np.nan if proof is None else proof.du_lq_bound for proof in found.proofs]
    return ProposalPicture(
        grid=found.site.grid,
        before=_panel(found, found.site.inputs.layout, found.before),
        after=_panel(found, layout, found.after),
        changed=touched & ~added,
        added=added,
        du_lq_bound=np.array(bounds),
    )


def _panel(found: OptimizedSite, layout: SprinklerLayout, measures: ZoneMeasures) -> ProposalPanel:
    inputs = dataclasses.replace(found.site.inputs, layout=layout)
    water = lay_out_water(dataclasses.replace(found.site, inputs=inputs))
    zone = served_zone(water.precipitation, found.site.cells)
    served_cells = np.bincount(zone[zone >= 0], minlength=len(measures.du_lq))
    return ProposalPanel(
        rate_mm_h=water.precipitation.precipitation_rate_mm_h,
        layout=layout,
        totals=_site_measures(measures, served_cells),
        du_lq=measures.du_lq,
    )


def _site_measures(measures: ZoneMeasures, served_cells: NDArray[np.int64]) -> dict[str, float]:
    """Evenness as a mean over the served turf; of the flow, what lands off the turf; sums."""
    serves = served_cells > 0
    flow = measures.flow_lpm
    return {
        "du_lq": float(np.average(measures.du_lq[serves], weights=served_cells[serves]))
        if serves.any()
        else np.nan,
        "flow_lpm": float(np.sum(flow)),
        "overspray_fraction": float(np.sum(flow * measures.overspray_fraction) / np.sum(flow)),
        "runoff_l": float(np.sum(measures.runoff_l)),
    }


def _totals(picture: ProposalPicture) -> dict[str, float]:
    before, after = picture.before.totals, picture.after.totals
    return {
        "changed_head_count": int(np.count_nonzero(picture.changed)),
        "added_head_count": int(np.count_nonzero(picture.added)),
        "du_lq_before": before["du_lq"],
        "du_lq_after": after["du_lq"],
        "flow_before_lpm": before["flow_lpm"],
        "flow_after_lpm": after["flow_lpm"],
        "overspray_fraction_before": before["overspray_fraction"],
        "overspray_fraction_after": after["overspray_fraction"],
        "runoff_before_l": before["runoff_l"],
        "runoff_after_l": after["runoff_l"],
    }
