"""Write a comparison of nozzle sets: table, layers, picture and summary, whole or not at all."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from geoirrig.io.output_folder import whole_output
from geoirrig.io.write_layers import write_layers
from geoirrig.io.write_summary import write_summary
from geoirrig.io.write_tables import write_csv
from geoirrig.maps.comparison_sheet import ComparisonPanel, draw_comparison
from geoirrig.report.write_report import write_report
from geoirrig.units import UnitSystem
from geoirrig.workflows.compare_nozzles import Comparison
from geoirrig.workflows.comparison_tables import (
    comparison_summary,
    comparison_tables,
    set_totals,
)
from geoirrig.workflows.reports.comparison import comparison_report
from geoirrig.workflows.run_record import Progress, run_record


def export_comparison(
    found: Comparison,
    out_dir: Path,
    *,
    units: UnitSystem,
    overwrite: bool,
    options: Mapping[str, Any],
    with_report: bool = False,
    progress: Progress = lambda _: None,
) -> dict[str, Any]:
    """Write all outputs of a comparison into a folder.

    Parameters
    ----------
    found : Comparison
        What was computed.
    out_dir : Path
        The folder; made if it is not there.
    units : {"si", "us"}
        Unit system of tables, picture and summary.
    overwrite : bool
        Whether results that lie there may be replaced.
    options : mapping
        Options of the command line, for the record.
    with_report : bool, optional
        Whether ``report.html`` is written too.
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
    schedule = asdict(found.options.schedule) if found.has_year else {}
    stated = {
        "net_depth_mm": found.options.net_depth(found.site),
        "run_time_method": found.options.schedule.run_time_method,
    }
    record = run_record(
        found.site,
        options={**options, **schedule, **stated},
        units=units,
        warnings=found.warnings,
        cautions=found.cautions,
    )
    tables = comparison_tables(found)
    summary = comparison_summary(found, tables, record, units=units)
    unchanged = {f"unchanged {n}": text for n, text in enumerate(summary["unchanged"], start=1)}
    with whole_output(out_dir, overwrite=overwrite) as folder:
        progress("Writing layers and table")
        write_layers(
            folder / "comparison.gpkg",
            tables,
            found.site.inputs.plane,
            units=units,
            run_info={**record.run_info(), "finding": summary["finding"], **unchanged},
        )
        write_csv(folder / "comparison.csv", tables[0], units=units)
        progress("Drawing the sets side by side")
        draw_comparison(
            folder,
            found.site.inputs,
            _panels(found),
            finding=summary["finding"],
            cautions=found.cautions,
            units=units,
        )
        if with_report:
            progress("Writing the report")
            page = comparison_report(found, summary, tables, record, folder)
            write_report(folder / "report.html", page)
        write_summary(folder / "summary.json", summary)
    return summary


def _panels(found: Comparison) -> list[ComparisonPanel]:
    return [
        ComparisonPanel(
            name=one.name,
            grid=one.measures.grid,
            rate_mm_h=one.measures.rate_mm_h,
            layout=one.layout,
            changed=one.is_changed,
            totals=set_totals(found, one),
        )
        for one in found.sets
    ]
