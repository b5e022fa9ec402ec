"""Write a plan that was imported: input layers, summary and page, whole or not at all."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from geoirrig import __version__
from geoirrig.io.output_folder import whole_output
from geoirrig.io.write_layers import write_layers
from geoirrig.io.write_summary import write_summary
from geoirrig.records import ResultTable
from geoirrig.report.write_report import write_report
from geoirrig.workflows.import_plan import PLAN_CAUTIONS, ImportedPlan
from geoirrig.workflows.reports.plan_import import import_report
from geoirrig.workflows.run_record import Progress

SITE_FILE = "SITE.gpkg"


def export_site(
    found: ImportedPlan,
    out_dir: Path,
    *,
    overwrite: bool,
    options: Mapping[str, Any],
    with_report: bool = False,
    progress: Progress = lambda _: None,
) -> dict[str, Any]:
    """Write the input layers as ``SITE.gpkg``, and the summary, whole or not at all.

    Parameters
    ----------
    found : ImportedPlan
        What `import_plan` gave.
    out_dir : Path
        The folder; made if it is not there.
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
    summary = plan_summary(found, options)
    info = {
        "version": __version__,
        "crs": found.plane.crs_name,
        "scale": f"{found.placement.transform.scale:.9g}",
        "rotation_deg": f"{found.placement.transform.rotation_deg:.6f}",
        "rms_m": f"{summary['rms_m']:.4f}",
        **{f"input {file.role}": f"{file.name} sha256 {file.sha256}" for file in found.files},
        **{f"warning {n}": text for n, text in enumerate(found.warnings, start=1)},
        **{f"caution {n}": text for n, text in enumerate(PLAN_CAUTIONS, start=1)},
    }
    with whole_output(out_dir, overwrite=overwrite) as folder:
        progress("Writing the layers")
        write_layers(folder / SITE_FILE, found.tables, found.plane, units="si", run_info=info)
        if with_report:
            progress("Writing the report")
            write_report(folder / "report.html", import_report(found, summary))
        write_summary(folder / "summary.json", summary)
    return summary


def plan_summary(found: ImportedPlan, options: Mapping[str, Any]) -> dict[str, Any]:
    """Scale, rotation, residuals, counts and warnings of an import."""
    areas = {
        table.name: float(np.sum(shapely.area(table.geometry)))
        for table in found.tables
        if table.geometry is not None and table.geometry_type != "Point"
    }
    return {
        "version": __version__,
        "inputs": [asdict(file) for file in found.files],
        "options": dict(options),
        "crs": found.plane.crs_name,
        **found.placement.record(),
        "plan_unit": found.plan_unit,
        "plan_unit_code": found.plan_unit_code,
        "flatten_tolerance_m": found.roles.flatten_tolerance_m,
        "closing_gap_m": found.roles.closing_gap_m,
        "layers": [
            {"layer": table.name, "count": _count(table), "area_m2": areas.get(table.name)}
            for table in found.tables
        ],
        "ignored_texts": found.ignored_texts,
        "unread": dict(found.unread),
        "warnings": list(found.warnings),
        "cautions": list(PLAN_CAUTIONS),
    }


def _count(table: ResultTable) -> int:
    return 0 if table.geometry is None else len(table.geometry)
