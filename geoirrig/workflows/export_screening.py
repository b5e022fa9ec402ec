"""Write a screening: layer, tables, GeoParquet, picture and summary, whole or not at all."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from geoirrig.city_records import PackedBytes
from geoirrig.io.output_folder import whole_output
from geoirrig.io.write_geoparquet import arrow_table, write_csv_in_bulk
from geoirrig.io.write_layers import write_layers
from geoirrig.io.write_summary import write_summary
from geoirrig.io.write_tables import columns_in, totals_record
from geoirrig.physics.programme_economics import cost_per_acre_foot
from geoirrig.processors import threads_beside
from geoirrig.records import ResultTable
from geoirrig.units import UnitSystem
from geoirrig.wording import led_by
from geoirrig.workflows.cycle_collection import without_cycle_collection
from geoirrig.workflows.run_record import CAUTIONS, Progress, RunRecord
from geoirrig.workflows.screen_parcels import Screening
from geoirrig.workflows.screening_picture import ScreeningSheet, draw_sheet
from geoirrig.workflows.screening_tables import write_parcels
from geoirrig.workflows.unit_executors import ThisProcess, UnitExecutor

SCREENING_CAUTIONS = (
    "A saving is at equal need: it comes only if the clock is set anew after the change. What a "
    "clock left unchanged saves is another figure, and never added to it.",
    "Each parcel is measured as if it were alone, in still air, on the soil that is stated for it; "
    "intervals speak of soil alone.",
    *CAUTIONS,
)
# Stated as the time of writing, so that the same inputs give the same bytes whenever they are run.
WRITTEN_AT = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)


@without_cycle_collection()
def export_screening(  # noqa: PLR0913 - as the exports of the other commands, and who works
    screening: Screening,
    out_dir: Path,
    *,
    units: UnitSystem,
    overwrite: bool,
    options: Mapping[str, Any],
    with_report: bool = False,
    executor: UnitExecutor | None = None,
    progress: Progress = lambda _: None,
) -> dict[str, Any]:
    """Write all outputs of a screening into a folder.

    Parameters
    ----------
    screening : Screening
        What was found.
    out_dir : Path
        The folder; made if it is not there.
    units : {"si", "us"}
        Unit system of columns, picture and summary.
    overwrite : bool
        Whether results that lie there may be replaced.
    options : mapping
        Options of the command line, without those that change nothing in the results.
    with_report : bool, optional
        Whether ``report.html`` is written too.
    executor : UnitExecutor, optional
        Who draws while the layer is written; this process, afterwards, if absent.
    progress : callable, optional
        Told the name of each step as it begins.

    Returns
    -------
    dict
        The summary that was written. Where its ``failures`` are not empty, the run is done but for
        these parcels.

    Raises
    ------
    OutputError
        If the results cannot be written.
    """
    city = screening.city
    record = RunRecord(
        files=city.inputs.files,
        options={
            **options,
            **asdict(city.options.schedule),
            "pressure_apart": city.options.pressure_apart,
            "settings": asdict(city.settings),
            "units": units,
        },
        crs_name=city.inputs.plane.crs_name,
        cell_size_m=city.settings.cell_size_m,
        warnings=city.inputs.warnings,
        cautions=SCREENING_CAUTIONS,
    )
    summary = screening_summary(screening, record, units=units)
    table = _in_acre_feet(screening.parcels) if units == "us" else screening.parcels
    helper = ThisProcess() if executor is None else executor
    with whole_output(out_dir, overwrite=overwrite) as folder, threads_beside(2) as beside:
        progress("Writing layer and tables, drawing map and cost curve")
        outlines = city.inputs.parcels.wkb
        wait_for_picture = helper.aside(draw_sheet, _sheet(screening, outlines, folder, units))
        columns = arrow_table(columns_in(table, units))
        tables = (
            beside.submit(write_csv_in_bulk, folder / "screening.csv", columns),
            beside.submit(
                write_parcels, folder / "screening.parquet", columns, outlines, city.inputs.plane
            ),
        )
        layer = replace(table, geometry_type="MultiPolygon")
        write_layers(
            folder / "screening.gpkg",
            [
                layer,
                screening.failures,
                screening.left_out,
            ],
            city.inputs.plane,
            units=units,
            run_info={**record.run_info(), **_told(screening, units)},
            dated=WRITTEN_AT,
            outlines={layer.name: outlines},
        )
        write_summary(folder / "summary.json", summary)
        for written in tables:
            written.result()
        wait_for_picture()
        if with_report:
            # as the picture: what draws is loaded only where it is needed
            from geoirrig.report.write_report import write_report
            from geoirrig.workflows.reports.screening import screening_report

            drawn = replace(layer, geometry=np.asarray(shapely.from_wkb(outlines.of_all())))
            metres = city.inputs.plane.metres_per_unit
            page = screening_report(summary, drawn, record, folder, metres_per_unit=metres)
            write_report(folder / "report.html", page)
    return summary


def screening_summary(
    screening: Screening, record: RunRecord, *, units: UnitSystem
) -> dict[str, Any]:
    """Everything that a program or a report needs from a screening, but for the parcels."""
    verdict, failures = screening.verdict, screening.failures.columns
    totals = dict(verdict.totals)
    if units == "us":
        per_m3 = totals.pop("funded_levelised_cost_per_m3")
        totals["funded_levelised_cost_per_acre_foot"] = float(cost_per_acre_foot(per_m3))
    left_out = screening.left_out.columns
    return {
        **record.summary_head(),
        "programme": screening.city.programme.title,
        "currency": screening.city.programme.currency,
        "finding": led_by(units, verdict.finding),
        "funding_rule": verdict.rule,
        "totals": totals_record(totals, units),
        "refused_by": dict(verdict.refused_by),
        "failures": [
            {"parcel_id": parcel_id, "reason": reason}
            for parcel_id, reason in zip(failures["parcel_id"], failures["reason"], strict=True)
        ],
        "left_out_count": sum(screening.city.inputs.left_out.count),
        "left_out": [
            {"layer": layer, "item_id": item_id, "reason": reason}
            for layer, item_id, reason in zip(
                left_out["layer"], left_out["item_id"], left_out["reason"], strict=True
            )
        ],
        **record.summary_tail(),
    }


def _told(screening: Screening, units: UnitSystem) -> dict[str, str]:
    verdict = screening.verdict
    return {
        "programme": screening.city.programme.title,
        "finding": led_by(units, verdict.finding),
        "funding rule": verdict.rule,
        "refused by": json.dumps(dict(verdict.refused_by)),
    }


def _in_acre_feet(table: ResultTable) -> ResultTable:
    """The same table with the levelised cost of an acre-foot in the place of that of a m³."""
    columns = {
        ("levelised_cost_per_acre_foot" if name == "levelised_cost_per_m3" else name): (
            cost_per_acre_foot(values) if name == "levelised_cost_per_m3" else values
        )
        for name, values in table.columns.items()
    }
    return replace(table, columns=columns)


def _sheet(
    screening: Screening, outlines: PackedBytes, folder: Path, units: UnitSystem
) -> ScreeningSheet:
    city, columns = screening.city, screening.parcels.columns
    drawn = ("status_code", "levelised_cost_per_m3", "water_saved_m3_year")
    return ScreeningSheet(
        folder=folder,
        outlines=outlines,
        columns={name: np.asarray(columns[name]) for name in drawn},
        words={
            "finding": led_by(units, screening.verdict.finding),
            "cautions": SCREENING_CAUTIONS,
            "about": (city.programme.title, city.inputs.plane.crs_name),
            "currency": city.programme.currency,
        },
        units=units,
    )
