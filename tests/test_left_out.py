"""Tests that need Chromium or nginx: left out loudly where there is none, a failure where one is required."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys

import pytest

SAMPLE = '''
import pytest

@pytest.mark.browser
def test_page():
    """Needs a browser."""

@pytest.mark.proxy
def test_door():
    """Needs a proxy."""

def test_plain():
    """Needs none."""
'''


@pytest.fixture
def run_sample(root, tmp_path):
    """A function that runs three tests, of which one needs Chromium and one nginx, on a machine that has neither."""
    shutil.copy(root / "tests" / "conftest.py", tmp_path / "conftest.py")
    (tmp_path / "test_sample.py").write_text(SAMPLE, encoding="utf-8")
    (tmp_path / "pytest.ini").write_text("[pytest]\nmarkers =\n  browser: needs Chromium\n  proxy: needs nginx\n", encoding="utf-8")

    def run(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
        nowhere = {f"STEADYCOUNT_{one}": str(tmp_path / "nowhere") for one in ("CHROMIUM", "NGINX")}
        nowhere |= {f"STEADYCOUNT_{one}_REQUIRED": "" for one in ("BROWSER", "PROXY")}
        return subprocess.run(
            [sys.executable, "-m", "pytest", *arguments],
            cwd=tmp_path,
            env={**os.environ, **nowhere, **environment},
            capture_output=True,
            text=True,
            check=False,
        )

    return run


@pytest.mark.parametrize("workers", ["0", "1"])
def test_what_cannot_run_is_left_out_loudly(run_sample, workers):
    """The run passes, and its end says how many tests were left out, which, and what to install."""
    done = run_sample("-n", workers)
    assert done.returncode == 0, done.stdout
    _, pages, doors = done.stdout.split("NOT EVERYTHING WAS TESTED")
    for end, test, package in ((pages, "test_page", "chromium"), (doors, "test_door", "nginx-light")):
        assert "LEFT OUT, because there is none on this machine: 1" in end
        assert f"test_sample.py::{test}" in end
        assert f"apt-get install {package}" in end


@pytest.mark.parametrize(
    ("name", "required"), [("Chromium", "STEADYCOUNT_BROWSER_REQUIRED"), ("nginx", "STEADYCOUNT_PROXY_REQUIRED")]
)
def test_what_is_missing_is_a_failure_where_it_is_required(run_sample, name, required):
    """With the variable that says so, the run fails and says why."""
    done = run_sample("-n", "0", **{required: "1"})
    assert done.returncode == 1
    assert f"no {name} was found, and {required}=1" in done.stdout


def test_a_whole_run_says_nothing_of_the_kind(run_sample):
    """Where nothing was left out, nothing is said."""
    done = run_sample("-n", "0", "-k", "plain")
    assert done.returncode == 0
    assert "NOT EVERYTHING" not in done.stdout
