"""Store the summary of the sample run, to compare later runs with.

Run ``python -m tests.regression.store_summary`` from the project's folder after a change that is
meant to move a number, and say in ``docs/changelog.md``, under Results changed, what moved and why.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, get_args

from geoirrig.io.read_site import SiteSources
from geoirrig.io.write_summary import summary_text
from geoirrig.records import RunoffModel
from geoirrig.workflows.analyze_site import analyze_site
from geoirrig.workflows.export_analysis import analysis_summary
from geoirrig.workflows.load_site import load_site
from geoirrig.workflows.run_record import run_record

STORED = Path(__file__).parents[1] / "data" / "sample_summary.json"
SAMPLES = Path(__file__).parents[2] / "sample_gis"
RUNOFF_MODELS: tuple[str, ...] = get_args(RunoffModel)


def sample_summary(runoff_model: str) -> dict[str, Any]:
    """Numbers and warnings of the sample run with the defaults and one of the runoff models."""
    site = load_site(
        SiteSources(site=SAMPLES / "hillside_site.gpkg", slope=SAMPLES / "hillside_slope_pct.tif"),
        overrides={"runoff_model": runoff_model},
    )
    analysis = analyze_site(site)
    record = run_record(site, options={}, units="si", warnings=analysis.warnings)
    summary = analysis_summary(analysis, record, units="si")
    return {name: summary[name] for name in ("totals", "turf", "zones", "warnings")}


if __name__ == "__main__":
    stored = {model: sample_summary(model) for model in RUNOFF_MODELS}
    STORED.write_text(summary_text(stored) + "\n", encoding="utf-8", newline="\n")
