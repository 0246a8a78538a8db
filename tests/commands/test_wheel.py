"""The wheel: what it carries, and that the tool starts from it alone."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from analytics import __version__


@pytest.fixture(scope="module")
def wheel(root: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built without the network."""
    out = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(out), str(root)],
        check=True,
        capture_output=True,
        text=True,
        timeout=300,
    )
    (built,) = out.glob("*.whl")
    return built


def test_the_wheel_carries_all_that_the_tool_reads(wheel, root):
    """The four packages, the settings, the half-lives, the theme and the icon are in it, and no tests."""
    names = set(zipfile.ZipFile(wheel).namelist())
    assert {
        "dashboard/.streamlit/config.toml",
        "dashboard/icon.png",
        "dashboard/main.py",
        "dashboard/app.py",
        "analytics/counting/half_lives.csv",
    } <= names
    assert {f"config/{one.name}" for one in (root / "config").glob("*.toml")} <= names
    tops = {name.split("/")[0] for name in names}
    assert tops == {"analytics", "dashboard", "config", "data_demo", f"steadycount-{__version__}.dist-info"}


def test_the_tool_starts_from_the_wheel_alone(wheel, tmp_path):
    """Unpacked elsewhere, the command line and the shipped settings work."""
    place = tmp_path / "site"
    zipfile.ZipFile(wheel).extractall(place)
    code = (
        "import analytics.settings, dashboard.commands.app, sys; "
        f"assert analytics.settings.__file__.startswith({str(place)!r}); "
        "print(analytics.settings.load().limits.tolerance_pct)"
    )
    environment = {**os.environ, "PYTHONPATH": str(place)}
    answer = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, env=environment, capture_output=True, text=True, check=True
    )
    assert answer.stdout.strip() == "10.0"


def test_the_wheel_names_its_command(wheel):
    """The console script is ``steadycount``."""
    archive = zipfile.ZipFile(wheel)
    (entry,) = [name for name in archive.namelist() if name.endswith("entry_points.txt")]
    assert "steadycount = dashboard.commands.app:main" in archive.read(entry).decode()
