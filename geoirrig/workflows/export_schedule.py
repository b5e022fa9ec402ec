"""Write a schedule: table, GeoPackage, calendar and summary, whole or not at all."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from geoirrig.io.output_folder import whole_output
from geoirrig.io.write_layers import write_layers
from geoirrig.io.write_summary import write_summary
from geoirrig.io.write_tables import write_csv
from geoirrig.maps.schedule_calendar import CalendarText, draw_schedule_calendar
from geoirrig.records import ResultTable
from geoirrig.report.write_report import write_report
from geoirrig.units import UnitSystem
from geoirrig.workflows.load_site import LoadedSite
from geoirrig.workflows.reports.commands import schedule_report
from geoirrig.workflows.run_record import CAUTIONS, Progress, run_record
from geoirrig.workflows.schedule_tables import (
    month_names,
    schedule_summary,
    schedule_table,
    water_allowance_table,
    weekly_minutes,
    zone_schedule_table,
)
from geoirrig.workflows.schedule_zones import SiteSchedule
from geoirrig.workflows.site_water import SiteWater

SCHEDULE_CAUTIONS = (
    "A schedule for a mean year: watch the turf and the weather, skip irrigations after rain, and "
    "water by day or more often only as local rules allow.",
    *CAUTIONS,
)


def export_schedule(  # noqa: PLR0913 - as the exports of the other commands, and the water
    site: LoadedSite,
    water: SiteWater,
    found: SiteSchedule,
    out_dir: Path,
    *,
    units: UnitSystem,
    overwrite: bool,
    options: Mapping[str, Any],
    with_report: bool = False,
    progress: Progress = lambda _: None,
) -> dict[str, Any]:
    """Write a schedule into a folder.

    Parameters
    ----------
    site : LoadedSite
        What was read, the climate file among it.
    water : SiteWater
        Where the water of every zone lands.
    found : SiteSchedule
        What was computed.
    out_dir : Path
        Final folder.
    units : {"si", "us"}
        Unit system of tables and summary.
    overwrite : bool
        Whether results that are there already may be replaced.
    options : mapping
        Options of the command line, for the record of the run.
    with_report : bool, optional
        Whether ``report.html`` is written too.
    progress : callable, optional
        Told the name of each step as it begins.

    Returns
    -------
    dict
        The summary, as it stands in ``summary.json``. Where its ``failures`` are not empty, the
        run is done but for these zones.

    Raises
    ------
    OutputError
        If the results cannot be written.
    """
    record = run_record(
        site,
        options={**options, **asdict(found.options)},
        units=units,
        warnings=found.warnings,
        cautions=SCHEDULE_CAUTIONS,
    )
    rows = schedule_table(found)
    tables: tuple[ResultTable, ...] = (zone_schedule_table(found, site, water.precipitation), rows)
    if found.allowance is not None:
        tables = (*tables, water_allowance_table(found.allowance))
    summary = schedule_summary(found, tables, record, units=units)
    methods = {f"method {topic}": words for topic, words in found.methods.items()}
    failures = {f"failure {f['zone']}": f["reason"] for f in found.failures}
    with whole_output(out_dir, overwrite=overwrite) as folder:
        progress("Writing the schedule")
        write_csv(folder / "schedule.csv", rows, units=units)
        write_layers(
            folder / "schedule.gpkg",
            tables,
            site.inputs.plane,
            units=units,
            run_info={**record.run_info(), **methods, **failures},
        )
        progress("Drawing the calendar")
        draw_schedule_calendar(
            folder,
            found.schedule,
            weekly_minutes(found.schedule, found.year.days),
            _calendar_text(site, found),
        )
        if with_report:
            progress("Writing the report")
            page = schedule_report(site, summary, tables, record, folder)
            write_report(folder / "report.html", page)
        write_summary(folder / "summary.json", summary)
    return summary


def _calendar_text(site: LoadedSite, found: SiteSchedule) -> CalendarText:
    names = {file.role: file.name for file in site.inputs.files}
    return CalendarText(
        title="Irrigation calendar",
        subtitle=f"Site {names.get('site') or names.get('heads', '')}; "
        f"climate {names.get('climate', '')}",
        methods=tuple(
            f"{topic.replace('_', ' ').capitalize()}: {words}."
            for topic, words in found.methods.items()
        ),
        failures=tuple(
            f"Zone {failure['zone']} ({month_names(failure['months'])}): {failure['reason']}"
            for failure in found.failures
        ),
        cautions=SCHEDULE_CAUTIONS,
    )
