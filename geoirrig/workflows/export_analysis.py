"""Write the answer of the main job: layers, rasters, maps and summary, whole or not at all."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from geoirrig import __version__
from geoirrig.io.output_folder import whole_output
from geoirrig.io.write_layers import write_layers
from geoirrig.io.write_rasters import write_rasters
from geoirrig.io.write_summary import write_summary
from geoirrig.maps.site_map import draw_maps
from geoirrig.records import ResultTable, SiteAnalysis
from geoirrig.units import UnitSystem, in_unit_system
from geoirrig.workflows.analyze_site import Progress
from geoirrig.workflows.load_site import LoadedSite


def export_analysis(
    site: LoadedSite,
    analysis: SiteAnalysis,
    out_dir: Path,
    *,
    units: UnitSystem,
    overwrite: bool,
    options: Mapping[str, Any],
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
    stated = {**options, **dataclasses.asdict(site.settings), "units": units}
    summary = analysis_summary(site, analysis, units=units, options=stated)
    with whole_output(out_dir, overwrite=overwrite) as folder:
        progress("Writing layers and rasters")
        write_layers(
            folder / "results.gpkg",
            analysis.tables,
            analysis.plane,
            units=units,
            run_info=_run_info(site, analysis, stated),
        )
        write_rasters(folder, analysis.rasters, analysis.grid, analysis.plane)
        progress("Drawing maps")
        draw_maps(folder, site.inputs, analysis, units=units)
        write_summary(folder / "summary.json", summary)
    return summary


def analysis_summary(
    site: LoadedSite, analysis: SiteAnalysis, *, units: UnitSystem, options: Mapping[str, Any]
) -> dict[str, Any]:
    """Everything that a program or a report needs from a run, in the chosen units."""
    return {
        "version": __version__,
        "inputs": [dataclasses.asdict(file) for file in site.inputs.files],
        "options": dict(options),
        "crs": analysis.plane.crs_name,
        "cell_size_m": analysis.grid.cell_size_m,
        "totals": dict(
            in_unit_system(name, value, units) for name, value in analysis.totals.items()
        ),
        "turf": table_records(analysis.table("turf_results"), units),
        "zones": table_records(analysis.table("zone_results"), units),
        "warnings": list(analysis.warnings),
        "cautions": list(analysis.cautions),
    }


def table_records(table: ResultTable, units: UnitSystem) -> list[dict[str, Any]]:
    """Rows of a table as dictionaries, without geometry."""
    columns = dict(
        in_unit_system(name, values, units)
        if np.asarray(values).dtype.kind == "f"
        else (name, values)
        for name, values in table.columns.items()
    )
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def _run_info(
    site: LoadedSite, analysis: SiteAnalysis, options: Mapping[str, Any]
) -> dict[str, str]:
    info = {
        "version": __version__,
        "crs": analysis.plane.crs_name,
        "cell_size_m": f"{analysis.grid.cell_size_m:g}",
        "options": json.dumps(dict(options), default=str),
    }
    for file in site.inputs.files:
        info[f"input {file.role}"] = f"{file.name} sha256 {file.sha256}"
    for number, warning in enumerate(analysis.warnings, start=1):
        info[f"warning {number}"] = warning
    for number, caution in enumerate(analysis.cautions, start=1):
        info[f"caution {number}"] = caution
    return info
