"""Tests that need Chromium: left out loudly where there is none, a failure where one is required."""

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

def test_plain():
    """Needs none."""
'''


@pytest.fixture
def run_sample(root, tmp_path):
    """A function that runs two tests, one of which needs Chromium, on a machine that has none."""
    shutil.copy(root / "tests" / "conftest.py", tmp_path / "conftest.py")
    (tmp_path / "test_sample.py").write_text(SAMPLE, encoding="utf-8")
    (tmp_path / "pytest.ini").write_text("[pytest]\nmarkers = browser: needs Chromium\n", encoding="utf-8")

    def run(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
        nowhere = {"STEADYCOUNT_CHROMIUM": str(tmp_path / "nowhere"), "STEADYCOUNT_BROWSER_REQUIRED": ""}
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
def test_browser_tests_are_left_out_loudly(run_sample, workers):
    """The run passes, and its end says how many tests were left out, which, and what to install."""
    done = run_sample("-n", workers)
    assert done.returncode == 0, done.stdout
    end = done.stdout[done.stdout.index("NOT EVERYTHING WAS TESTED") :]
    assert "LEFT OUT, because there is none on this machine: 1" in end
    assert "test_sample.py::test_page" in end
    assert "apt-get install chromium" in end


def test_a_missing_browser_is_a_failure_where_one_is_required(run_sample):
    """With STEADYCOUNT_BROWSER_REQUIRED=1 the run fails and says why."""
    done = run_sample("-n", "0", STEADYCOUNT_BROWSER_REQUIRED="1")
    assert done.returncode == 1
    assert "no Chromium was found, and STEADYCOUNT_BROWSER_REQUIRED=1" in done.stdout


def test_a_whole_run_says_nothing_of_the_kind(run_sample):
    """Where nothing was left out, nothing is said."""
    done = run_sample("-n", "0", "-k", "plain")
    assert done.returncode == 0
    assert "NOT EVERYTHING" not in done.stdout
