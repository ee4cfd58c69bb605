"""How long the documents of a fleet take, against bare WeasyPrint. Run on demand.

    python tests/benchmarks/bench_documents.py [--vehicles 100] [--drivers 60]

The fleet report, a sheet per vehicle and one per driver: words, charts and printing, against
WeasyPrint in one process for the same pages as they are (equal HTML, equal options, no charts to
draw). Ingest and statistics are done before the clock starts.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
import warnings
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "sample_fleet")]
WEEK = "2026-W03"


def bare(pages: list[str]) -> float:
    """Seconds that WeasyPrint takes for the pages, one after the other."""
    import weasyprint

    from pipeline.report.pdf import VARIANT
    from pipeline.resources import folder

    base_url = folder("report_templates").as_uri() + "/"
    began = time.perf_counter()
    for page in pages:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)
            document = weasyprint.HTML(string=page, base_url=base_url)
            document.write_pdf(pdf_variant=VARIANT, pdf_tags=True, pdf_identifier=b"x")
    return time.perf_counter() - began


def main() -> None:
    """Print both times and their ratio."""
    from simulate import FleetSpec, simulate

    from pipeline.config import load_fleet
    from pipeline.edition import compute, parameters, take_in, warehouse_of
    from pipeline.minutes import minutes
    from pipeline.report.language import speaking
    from pipeline.report.pages import fleet_document
    from pipeline.report.printing import PrintJob, print_all
    from pipeline.report.sheets.driver import driver_sheets
    from pipeline.report.sheets.of_edition import Imprint
    from pipeline.report.sheets.vehicle import vehicle_sheets
    from pipeline.report.weekdata import document_instant, read_week
    from pipeline.weekly import weekly

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--vehicles", type=int, default=100)
    parser.add_argument("--drivers", type=int, default=60)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary) / "fleet"
        simulate(
            FleetSpec(
                n_vehicles=chosen.vehicles,
                weeks=2,
                sample_interval_s=30,
                ac_interval_s=120,
                write_config=True,
            ),
            folder,
        )
        fleet = load_fleet(folder)
        privacy = fleet.settings.privacy.model_copy(update={"driver_analysis": "pseudonyms"})
        settings = fleet.settings.model_copy(update={"privacy": privacy})
        fleet = fleet.model_copy(update={"settings": settings})
        with warehouse_of(fleet) as con:
            now = document_instant("2026-W20", fleet, None)
            take_in(con, fleet, now)
            compute(con, fleet)
            minutes(con, fleet, WEEK)
            weekly(con, fleet, WEEK, parameters(fleet))
            instant = document_instant(WEEK, fleet, None)
            printed_on = vars(Imprint(instant, "bench", "bench"))
            began = time.perf_counter()
            week = read_week(con, WEEK, fleet)
            with speaking("en"):
                html, attached = fleet_document(week, fleet, **printed_on)
                ids = list(fleet.vehicles)
                made = vehicle_sheets(con, fleet, WEEK, vehicle_ids=ids, week=week, **printed_on)
                made += driver_sheets(con, fleet, WEEK, **printed_on)[: chosen.drivers]
        words_s = time.perf_counter() - began
        jobs = [PrintJob(html, Path(temporary) / "fleet.pdf", attached, instant)]
        jobs += [
            PrintJob(sheet.html, Path(temporary) / f"{number}.pdf")
            for number, sheet in enumerate(made)
        ]
        print_all(jobs)
        own_s = time.perf_counter() - began
        peak_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
        child_gb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1e6
        bare_s = bare([job.html for job in jobs])
    print(
        f"{len(jobs)} documents: {own_s:.1f} s (words and charts {words_s:.1f} s), bare "
        f"{bare_s:.1f} s, ratio {own_s / bare_s:.2f}, peak {peak_gb:.2f} GB, of the largest "
        f"printing process {child_gb:.2f} GB"
    )


if __name__ == "__main__":
    main()
