"""Write a ranking of slopes: layer, table, map, chart and summary, whole or not at all."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from geoirrig.io.output_folder import whole_output
from geoirrig.io.write_layers import write_layers
from geoirrig.io.write_summary import write_summary
from geoirrig.io.write_tables import table_records, totals_record, write_csv
from geoirrig.maps.ranking_chart import draw_ranking_chart
from geoirrig.maps.ranking_map import draw_ranking_map
from geoirrig.report.write_report import write_report
from geoirrig.units import UnitSystem
from geoirrig.workflows.load_site import LoadedSite
from geoirrig.workflows.rank_slopes import SlopeRanking
from geoirrig.workflows.reports.commands import ranking_report
from geoirrig.workflows.run_record import Progress, RunRecord, run_record


def export_ranking(  # noqa: PLR0913 - as the exports of the other commands, and the failures
    site: LoadedSite,
    ranking: SlopeRanking,
    out_dir: Path,
    *,
    units: UnitSystem,
    overwrite: bool,
    options: Mapping[str, Any],
    with_report: bool = False,
    failures: Sequence[Mapping[str, Any]] = (),
    progress: Progress = lambda _: None,
) -> dict[str, Any]:
    """Write all outputs of a ranking into a folder.

    Parameters
    ----------
    site, ranking : LoadedSite, SlopeRanking
        What was read and what was found.
    out_dir : Path
        The folder; made if it is not there.
    units : {"si", "us"}
        Unit system of columns, pictures and summary.
    overwrite : bool
        Whether results that lie there may be replaced.
    options : mapping
        Options of the command line, for the record.
    with_report : bool, optional
        Whether ``report.html`` is written too.
    failures : sequence of mapping
        Zones that have no schedule, where a year was asked for.
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
    record = run_record(
        site,
        options={**options, **dataclasses.asdict(ranking.options)},
        units=units,
        warnings=ranking.warnings,
        cautions=ranking.cautions,
    )
    summary = ranking_summary(ranking, record, units=units, failures=failures)
    picture: dict[str, Any] = {
        "finding": ranking.finding,
        "cautions": ranking.cautions,
        "units": units,
    }
    with whole_output(out_dir, overwrite=overwrite) as folder:
        progress("Writing layer and table")
        write_layers(
            folder / "ranking.gpkg",
            [ranking.table],
            ranking.plane,
            units=units,
            run_info={**record.run_info(), "finding": ranking.finding},
        )
        write_csv(folder / "ranking.csv", ranking.table, units=units)
        progress("Drawing map and chart")
        draw_ranking_map(folder, site.inputs, ranking.grid, ranking.table, **picture)
        draw_ranking_chart(folder, site.inputs, ranking.table, **picture)
        if with_report:
            progress("Writing the report")
            page = ranking_report(site, summary, ranking.table, record, folder)
            write_report(folder / "report.html", page)
        write_summary(folder / "summary.json", summary)
    return summary


def ranking_summary(
    ranking: SlopeRanking,
    record: RunRecord,
    *,
    units: UnitSystem,
    failures: Sequence[Mapping[str, Any]] = (),
) -> dict[str, Any]:
    """Everything that a program or a report needs from a ranking, in the chosen units."""
    return {
        **record.summary_head(),
        "finding": ranking.finding,
        "totals": totals_record(ranking.totals, units),
        "slopes": table_records(ranking.table, units),
        "failures": [dict(failure) for failure in failures],
        **record.summary_tail(),
    }
