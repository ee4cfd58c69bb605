"""Printing in processes of its own: the same bytes, no folder left behind, nothing lost."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from conftest import ROOT

from pipeline.problems import ColdMinutesError
from pipeline.report import check_pdf_support
from pipeline.report.printing import Press, PrintJob, print_all
from pipeline.report.style import style_element

if check_pdf_support() is not None:
    pytest.skip("Pango is not here", allow_module_level=True)


def page(words: str, head: str = "") -> str:
    return (
        f'<html lang="en"><head><title>{words}</title>{style_element()}{head}</head>'
        f"<body><h1>{words}</h1></body></html>"
    )


def jobs_in(folder: Path, pages: list[str]) -> list[PrintJob]:
    folder.mkdir()
    return [PrintJob(html, folder / f"{number}.pdf") for number, html in enumerate(pages)]


UNCLEAN = '<link rel="stylesheet" href="missing.css">'


def test_processes_print_the_bytes_that_one_prints(tmp_path: Path) -> None:
    pages = [page(f"Sheet {number}") for number in range(4)]
    alone, apart = jobs_in(tmp_path / "alone", pages), jobs_in(tmp_path / "apart", pages)
    told: list[tuple[str, int, int]] = []
    print_all(alone, workers_n=0)
    print_all(apart, lambda *step: told.append(step), workers_n=2)
    assert told == [(f"{number}.pdf", number + 1, 4) for number in range(4)]
    for one, other in zip(alone, apart, strict=True):
        assert one.path.read_bytes() == other.path.read_bytes()
    assert len({job.path.read_bytes() for job in apart}) == 4


def test_problems_come_back_in_the_order_of_the_jobs(tmp_path: Path) -> None:
    pages = [page("a", UNCLEAN), page("b"), page("c", UNCLEAN)]
    jobs = jobs_in(tmp_path / "jobs", pages)
    with pytest.raises(ColdMinutesError) as raised:
        print_all(jobs, workers_n=2)
    assert [problem.where for problem in raised.value.problems] == ["0.pdf", "2.pdf"]
    assert [job.path.exists() for job in jobs] == [False, True, False]


def test_what_a_killed_process_left_undone_is_printed_here(tmp_path: Path) -> None:
    jobs = jobs_in(tmp_path / "jobs", [page("a"), page("b"), page("c")])
    with Press(2) as press:
        press.take(jobs[0])
        assert press.pool is not None
        for worker in list(press.pool._processes):
            os.kill(worker, signal.SIGKILL)
        for job in jobs[1:]:
            press.take(job)
        press.finish()
    assert all(job.path.read_bytes().startswith(b"%PDF-") for job in jobs)


def test_nothing_is_printed_after_the_end(tmp_path: Path) -> None:
    """The folder of an edition that failed is removed: nobody may write to it then."""
    jobs = jobs_in(tmp_path / "jobs", [page(f"Sheet {number}") for number in range(30)])

    def failing() -> None:
        with Press(2) as press:
            for job in jobs:
                press.take(job)
            raise KeyError("something else went wrong")

    with pytest.raises(KeyError):
        failing()
    before = sorted((tmp_path / "jobs").iterdir())
    assert len(before) < 30, "what had not begun was cancelled"
    time.sleep(0.3)
    assert sorted((tmp_path / "jobs").iterdir()) == before


SCRIPT = """
from pathlib import Path
from pipeline.report.printing import PrintJob, print_all
from pipeline.report.language import speaking
from pipeline.report.style import style_element

def main():
    jobs = []
    for code in ("en", "de", "sv"):
        with speaking(code if code != "sv" else "nb"):
            html = f'<html lang="{code}"><head><title>x</title>{style_element()}</head><p>x</html>'
        jobs.append(PrintJob(html, Path(f"{code}.pdf")))
    print_all(jobs, workers_n=2)

if __name__ == "__main__":
    main()
"""


def test_fonts_leave_no_folder_behind(tmp_path: Path) -> None:
    (tmp_path / "script.py").write_text(SCRIPT, encoding="utf-8")
    temp = tmp_path / "temp"
    temp.mkdir()
    done = subprocess.run(
        [sys.executable, "script.py"],
        cwd=tmp_path,
        env=os.environ | {"TMPDIR": str(temp), "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "de.pdf").exists()
    # The process that lends the fonts ends with the one that asked for it, a moment later.
    for _ in range(50):
        left = [path.name for path in temp.glob("weasyprint-*")]
        if not left:
            break
        time.sleep(0.1)
    assert left == []
