"""What travels in the wheel: the program finds its SQL, templates and sample fleet from there."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest
from conftest import ROOT


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, unpacked as an installer would, far from the checkout."""
    folder = tmp_path_factory.mktemp("wheel")
    built = subprocess.run(
        [
            sys.executable,
            "-m",
            "pip",
            "wheel",
            "--no-deps",
            "--quiet",
            "-w",
            str(folder),
            str(ROOT),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    if built.returncode:
        pytest.skip(f"no wheel can be built here: {built.stderr[-300:]}")
    site = folder / "site"
    with zipfile.ZipFile(next(folder.glob("coldminutes-*.whl"))) as wheel:
        wheel.extractall(site)
    return site


def test_the_wheel_is_whole(installed: Path) -> None:
    bundled = installed / "pipeline" / "bundled"
    for name in ("sql", "report_templates", "sample_fleet"):
        ours = {path.relative_to(ROOT / name) for path in (ROOT / name).rglob("*.*")}
        theirs = {path.relative_to(bundled / name) for path in (bundled / name).rglob("*.*")}
        left_out = {
            path
            for path in ours - theirs
            if "__pycache__" not in path.parts and ".coldminutes" not in path.parts
        }
        assert not left_out


def test_it_runs_from_any_directory(installed: Path, tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "pipeline", "demo", "--no-pdf", "--out", str(tmp_path / "demo")],
        cwd=tmp_path,
        env={"PYTHONPATH": str(installed), "PATH": "/usr/bin:/bin", "HOME": str(tmp_path)},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    assert (tmp_path / "demo" / "reports" / "2026-W06" / "summary.json").exists()
    where = subprocess.run(
        [sys.executable, "-c", "import pipeline; print(pipeline.__file__)"],
        cwd=tmp_path,
        env={"PYTHONPATH": str(installed)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert str(installed) in where.stdout
