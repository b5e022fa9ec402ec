"""What a plan holds, and a roles file to edit: for a plan that has none yet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from geoirrig import __version__
from geoirrig.errors import ProblemList
from geoirrig.io.file_formats import file_read
from geoirrig.io.output_folder import whole_output
from geoirrig.io.plan_contents import draft_roles_text, plan_contents
from geoirrig.io.plan_entities import damage_told, open_plan, warn_of_unseen
from geoirrig.io.write_summary import write_summary
from geoirrig.report.write_report import write_report
from geoirrig.workflows.import_plan import PLAN_CAUTIONS
from geoirrig.workflows.reports.plan_import import contents_report

DRAFT_ROLES_FILE = "roles.toml"


def draft_plan_roles(
    plan: Path,
    out_dir: Path,
    *,
    overwrite: bool,
    options: Mapping[str, Any],
    with_report: bool = False,
) -> dict[str, Any]:
    """List what a plan holds and write a roles file to edit; for a plan without one.

    Parameters
    ----------
    plan : Path
        DXF file.
    out_dir : Path
        The folder for ``roles.toml`` and ``summary.json``.
    overwrite : bool
        Whether files that lie there may be replaced.
    options : mapping
        Options of the command line, for the record.
    with_report : bool, optional
        Whether ``report.html`` is written too.

    Returns
    -------
    dict
        The summary that was written: unit, extent, layers, blocks, attributes, counts.

    Raises
    ------
    GeoirrigError
        If the plan cannot be read.
    OutputError
        If the files cannot be written.
    """
    problems = ProblemList()
    drawing = open_plan(plan, problems)
    warn_of_unseen(drawing, f"Plan {plan.name!r}", problems)
    with damage_told(f"Plan {plan.name!r}"):
        contents = plan_contents(drawing)
    files = (file_read("plan", plan),)
    summary = {
        "version": __version__,
        "inputs": [asdict(file) for file in files],
        "options": dict(options),
        **contents.record(),
        "warnings": list(problems.warnings),
    }
    with whole_output(out_dir, overwrite=overwrite) as folder:
        text = draft_roles_text(contents)
        (folder / DRAFT_ROLES_FILE).write_text(text, encoding="utf-8", newline="\n")
        if with_report:
            write_report(folder / "report.html", contents_report(summary, files, PLAN_CAUTIONS))
        write_summary(folder / "summary.json", summary)
    return summary
