"""Ranking with drawn soils against the main job on the same site, in one process, in turn.

Run it by hand: ``python tests/benchmarks/bench_rank.py [--green-ampt] [--smoke]``. Each job is
timed whole (reading, computing and writing, pictures included) and for its computing part alone,
after both have run once.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from big_site import write_big_site

from geoirrig.io.read_site import SiteSources
from geoirrig.workflows.analyze_site import analyze_site
from geoirrig.workflows.export_analysis import export_analysis
from geoirrig.workflows.export_ranking import export_ranking
from geoirrig.workflows.load_site import LoadedSite, load_site
from geoirrig.workflows.rank_slopes import RankOptions, rank_slopes
from geoirrig.workflows.site_water import lay_out_water

MOST_RATIO = 5.0
Job = Callable[[], tuple[float, float]]


def jobs(folder: Path, *, model: str, realisations: int) -> dict[str, Job]:
    """The jobs; each gives the seconds of the whole and of its computing part."""
    sources = SiteSources(site=folder / "site.gpkg", slope=folder / "slope_pct.tif")

    def timed(
        compute: Callable[[LoadedSite], object], export: Callable[[LoadedSite, object], object]
    ) -> tuple[float, float]:
        start = time.perf_counter()
        site = load_site(sources, overrides={"runoff_model": model})
        loaded = time.perf_counter()
        found = compute(site)
        computed = time.perf_counter()
        export(site, found)
        return time.perf_counter() - start, computed - loaded

    how = {"units": "si", "overwrite": True, "options": {}}

    def rank(by_slope_class: bool) -> Job:
        options = RankOptions(by_slope_class=by_slope_class, realisations=realisations)
        return lambda: timed(
            lambda site: rank_slopes(site, lay_out_water(site), options=options),
            lambda site, found: export_ranking(site, found, folder / "ranked", **how),
        )

    return {
        "analyze": lambda: timed(
            analyze_site, lambda site, found: export_analysis(site, found, folder / "out", **how)
        ),
        "rank, polygons": rank(by_slope_class=False),
        "rank, slope classes": rank(by_slope_class=True),
    }


def main() -> None:
    """Build the site, time the jobs in turn, and print their ratios."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--lawns", type=int, default=50, help="40 heads and 800 m² each")
    parser.add_argument("--realisations", type=int, default=200)
    parser.add_argument("--green-ampt", action="store_true")
    parser.add_argument("--smoke", action="store_true", help="small and once: does it run?")
    options = parser.parse_args()
    rounds, lawns = (1, 2) if options.smoke else (options.rounds, options.lawns)
    model = "green_ampt" if options.green_ampt else "surface_storage"
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        write_big_site(folder, n_lawns=lawns)
        all_jobs = jobs(folder, model=model, realisations=options.realisations)
        for job in all_jobs.values():
            job()  # compile, fill the caches
        found: dict[str, list[tuple[float, float]]] = {name: [] for name in all_jobs}
        for _ in range(rounds):
            for name, job in all_jobs.items():
                found[name].append(job())
    print(f"{lawns} lawns, {model}, {options.realisations} realisations; medians of {rounds}")
    print("                        whole s   ratio   computing s   ratio")
    for name, own in found.items():
        whole, computing = (statistics.median(times) for times in zip(*own, strict=True))
        ratios = [
            statistics.median(
                one[part] / other[part] for one, other in zip(own, found["analyze"], strict=True)
            )
            for part in (0, 1)
        ]
        print(f"{name:<22} {whole:8.2f} {ratios[0]:7.2f} {computing:13.2f} {ratios[1]:7.2f}")
    print(f"Wanted: at most {MOST_RATIO:g} times analyze")


if __name__ == "__main__":
    main()
