"""The pages in a real browser, held to axe-core. On demand: it needs both.

    apt-get install chromium
    npm pack axe-core && tar xzf axe-core-*.tgz
    AXE_CORE=package/axe.min.js python -m pytest -m long tests/reference/test_axe.py

Source of the rules: axe-core's sets for WCAG 2.0, 2.1 and 2.2, levels A and AA, and its best
practices.
"""

from __future__ import annotations

import html
import json
import os
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
from conftest import ROOT

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
AXE = os.environ.get("AXE_CORE", "")

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(BROWSER is None, reason="needs Chromium"),
    pytest.mark.skipif(not Path(AXE).is_file(), reason="needs axe-core, named by AXE_CORE"),
]
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
RUN = """
<script>{axe}</script>
<script>
window.addEventListener("load", () => axe.run(document, {{runOnly: {tags}}}).then((found) => {{
  const told = document.createElement("pre");
  told.id = "axe-result";
  told.textContent = JSON.stringify({{
    passes: found.passes.length,
    violations: found.violations.map((v) => [v.id, v.help, v.nodes.map((n) => n.html)]),
    width: [document.documentElement.scrollWidth, window.innerWidth],
  }});
  document.body.replaceChildren(told);
}}));
</script></body>"""


def judged(page: Path, folder: Path, width_px: int) -> dict[str, Any]:
    """What axe-core finds in a page at a width of the window."""
    script = RUN.format(axe=Path(AXE).read_text(encoding="utf-8"), tags=json.dumps(TAGS))
    copy = folder / f"{page.stem}-{width_px}.html"
    copy.write_text(page.read_text(encoding="utf-8").replace("</body>", script), encoding="utf-8")
    assert BROWSER is not None
    dumped = subprocess.run(
        [
            BROWSER,
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            f"--user-data-dir={folder / 'profile'}",
            f"--window-size={width_px},2400",
            "--virtual-time-budget=60000",
            "--dump-dom",
            copy.as_uri(),
        ],
        capture_output=True,
        text=True,
        check=True,
        timeout=240,
    ).stdout
    found = re.search(r'<pre id="axe-result">(.*?)</pre>', dumped, re.DOTALL)
    assert found, dumped[-2000:]
    told: dict[str, Any] = json.loads(html.unescape(found[1]))
    return told


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The sample fleet's pages as HTML."""
    from pipeline.config import load_fleet
    from pipeline.demo import copy_sample_fleet
    from pipeline.edition import make_edition
    from pipeline.report.sheets.of_edition import SheetsWanted
    from pipeline.sheets_made import make_sheets

    folder = tmp_path_factory.mktemp("axe")
    fleet = load_fleet(copy_sample_fleet(folder / "demo"))
    edition = make_edition(fleet, pdf=False)
    wanted = SheetsWanted(
        vehicle_ids=("van-09",),
        stop_ids=("van-03.2026-02-02.1",),
        has_models=True,
        has_accounts=True,
    )
    made = make_sheets(fleet, None, wanted, folder / "sheets", pdf=False)
    assert ROOT not in folder.parents
    return [next(path for path in edition.paths if path.name == "fleet.html"), *made]


@pytest.mark.parametrize("width_px", [1280, 500])
def test_no_violations(pages: list[Path], tmp_path: Path, width_px: int) -> None:
    wrong = {}
    for page in pages:
        told = judged(page, tmp_path, width_px)
        assert told["passes"] > 10
        if told["violations"]:
            wrong[page.name] = told["violations"]
    assert wrong == {}
