"""Write the answer of the main job, its report and map sheets too, whole or not at all."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from geoirrig.io.output_folder import whole_output
from geoirrig.io.write_layers import write_layers
from geoirrig.io.write_rasters import write_rasters
from geoirrig.io.write_summary import write_summary
from geoirrig.io.write_tables import table_records, totals_record
from geoirrig.maps.site_map import draw_maps
from geoirrig.maps.zone_sheets import draw_zone_sheets
from geoirrig.records import SiteAnalysis
from geoirrig.report.write_report import write_report
from geoirrig.units import UnitSystem
from geoirrig.workflows.load_site import LoadedSite
from geoirrig.workflows.reports.analysis import analysis_report
from geoirrig.workflows.run_record import Progress, RunRecord, run_record


def export_analysis(  # noqa: PLR0913 - as the exports of the other commands, and two extras
    site: LoadedSite,
    analysis: SiteAnalysis,
    out_dir: Path,
    *,
    units: UnitSystem,
    overwrite: bool,
    options: Mapping[str, Any],
    with_report: bool = False,
    with_sheets: bool = False,
    progress: Progress = lambda _: None,
) -> dict[str, Any]:
    """Write all outputs of the main job into a folder.

    Parameters
    ----------
    site, analysis : LoadedSite, SiteAnalysis
        What was read and what was found.
    out_dir : Path
        The folder; made if it is not there.
    units : {"si", "us"}
        Unit system of columns, maps and summary. Rasters stay SI, as their names say.
    overwrite : bool
        Whether results that lie there may be replaced.
    options : mapping
        Options of the command line, for the record.
    with_report, with_sheets : bool, optional
        Whether ``report.html`` and ``sheets.pdf`` are written too.
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
    record = run_record(site, options=options, units=units, warnings=analysis.warnings)
    summary = analysis_summary(analysis, record, units=units)
    with whole_output(out_dir, overwrite=overwrite) as folder:
        progress("Writing layers and rasters")
        write_layers(
            folder / "results.gpkg",
            analysis.tables,
            analysis.plane,
            units=units,
            run_info=record.run_info(),
            rasters=analysis.rasters,
        )
        write_rasters(folder, analysis.rasters, analysis.grid, analysis.plane)
        progress("Drawing maps")
        draw_maps(folder, site.inputs, analysis, units=units)
        if with_sheets:
            progress("Drawing map sheets")
            draw_zone_sheets(folder / "sheets.pdf", site.inputs, analysis, units=units)
        if with_report:
            progress("Writing the report")
            page = analysis_report(site, analysis, record, folder, units=units)
            write_report(folder / "report.html", page)
        write_summary(folder / "summary.json", summary)
    return summary


def analysis_summary(
    analysis: SiteAnalysis, record: RunRecord, *, units: UnitSystem
) -> dict[str, Any]:
    """Everything that a program or a report needs from a run, in the chosen units."""
    return {
        **record.summary_head(),
        "totals": totals_record(analysis.totals, units),
        "turf": table_records(analysis.table("turf_results"), units),
        "zones": table_records(analysis.table("zone_results"), units),
        "layout_findings": table_records(analysis.table("layout_findings"), units),
        **({"rules": [dict(rules) for rules in analysis.rules]} if analysis.rules else {}),
        **record.summary_tail(),
    }
