"""Writing simulated tables to files that loading takes."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pandas as pd

# Tables in the order in which a person would look at them; empty ones are not written.
ORDER = ("probes", "sources", "windows", "readings", "events", "inspections", "uses", "outcomes", "truth")


def write_csv(tables: Mapping[str, pd.DataFrame], folder: Path) -> list[Path]:
    """One UTF-8 CSV file with commas for each table that has rows; yes/no and ISO times as the contract has them."""
    folder.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    for name in _filled(tables):
        path = folder / f"{name}.csv"
        _plain(tables[name]).to_csv(path, index=False, lineterminator="\n", encoding="utf-8")
        written.append(path)
    return written


def write_xlsx(tables: Mapping[str, pd.DataFrame], file: Path) -> list[Path]:
    """One workbook, one table a sheet, times as Excel dates."""
    file.parent.mkdir(parents=True, exist_ok=True)
    with pd.ExcelWriter(file, engine="openpyxl", datetime_format="yyyy-mm-dd hh:mm:ss") as book:
        for name in _filled(tables):
            _bare(tables[name]).to_excel(book, sheet_name=name, index=False)
    return [file]


def write_parquet(tables: Mapping[str, pd.DataFrame], folder: Path) -> list[Path]:
    """One Parquet file for each table that has rows, typed columns."""
    folder.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    for name in _filled(tables):
        path = folder / f"{name}.parquet"
        tables[name].to_parquet(path, index=False)
        written.append(path)
    return written


def _filled(tables: Mapping[str, pd.DataFrame]) -> list[str]:
    return [name for name in ORDER if name in tables and len(tables[name])]


def _bare(table: pd.DataFrame) -> pd.DataFrame:
    """Columns that say something, yes and no in words."""
    out = table.dropna(axis="columns", how="all").copy()
    for column in out.select_dtypes("bool"):
        out[column] = out[column].map({True: "yes", False: "no"})
    return out


def _plain(table: pd.DataFrame) -> pd.DataFrame:
    """As ``_bare``, with times as text: a date alone where every time of the column is midnight."""
    out = _bare(table)
    for column in out.select_dtypes("datetime"):
        days_only = bool((out[column].dropna() == out[column].dropna().dt.normalize()).all())
        out[column] = out[column].dt.strftime("%Y-%m-%d" if days_only else "%Y-%m-%dT%H:%M:%S")
    return out
