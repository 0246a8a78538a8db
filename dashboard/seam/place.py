"""Where the dashboard reads and writes, as the command that opened it said through the environment."""

from __future__ import annotations

import os
from pathlib import Path

STORE = "STEADYCOUNT_STORE"  # path of the store
CONFIG = "STEADYCOUNT_CONFIG"  # folder of settings for this run only, optional
BY = "STEADYCOUNT_BY"  # person's name to start with, optional


def store_path() -> Path:
    """The store: ``STEADYCOUNT_STORE``, else ``steadycount.duckdb`` in the working folder."""
    return Path(os.environ.get(STORE) or "steadycount.duckdb").absolute()


def config_directory() -> Path | None:
    """The settings folder for this run, or None."""
    given = os.environ.get(CONFIG)
    return Path(given) if given else None
