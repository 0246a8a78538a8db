"""Small disks for the tests of faults, and the loud word at the end where they could not be had."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

MOUNT_REQUIRED = "STEADYCOUNT_MOUNT_REQUIRED"
LEFT_OUT = "left out: this machine may not mount a small disk"


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say loudly how many tests of full and read-only disks were left out."""
    left_out = [one for one in terminalreporter.stats.get("skipped", []) if LEFT_OUT in str(one.longrepr)]
    if not left_out:
        return
    terminalreporter.section("FULL AND READ-ONLY DISKS WERE NOT TESTED", sep="!", red=True, bold=True)
    terminalreporter.write_line(
        f"{len(left_out)} tests need to mount a small disk (root) and were LEFT OUT.", red=True, bold=True
    )
    for one in left_out:
        terminalreporter.write_line(f"  {one.nodeid}")
    terminalreporter.write_line(f"Run them as root; with {MOUNT_REQUIRED}=1 leaving them out is a failure.")


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Callable[..., Path]]:
    """A function that mounts a disk of so many kB in memory and gives its folder; ``remount`` makes it read-only."""
    mounted: list[Path] = []

    def mount(size_kb: int = 0, *, read_only: Path | None = None) -> Path:
        folder = read_only or tmp_path / f"disk{len(mounted)}"
        folder.mkdir(exist_ok=True)
        options = "remount,ro" if read_only else f"size={size_kb}k"
        tool = shutil.which("mount") or "mount"
        try:
            done = subprocess.run(
                [tool, "-t", "tmpfs", "-o", options, "tmpfs", str(folder)], capture_output=True, text=True, check=False
            )
        except OSError as error:
            done = subprocess.CompletedProcess([], 1, "", str(error))
        if done.returncode:
            if os.environ.get(MOUNT_REQUIRED) == "1":
                pytest.fail(
                    f"no small disk could be mounted ({done.stderr.strip()}), and {MOUNT_REQUIRED}=1 says that it"
                    " must be"
                )
            pytest.skip(LEFT_OUT)
        if read_only is None:
            mounted.append(folder)
        return folder

    yield mount
    for folder in reversed(mounted):
        subprocess.run(["umount", str(folder)], capture_output=True, check=True)
