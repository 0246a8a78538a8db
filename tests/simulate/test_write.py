"""Written files hold what the tables hold."""

import pandas as pd
import pytest

from analytics.simulate import scoring_fleet, write_csv, write_parquet, write_xlsx


@pytest.fixture(scope="module")
def tables():
    """A small fleet's tables."""
    return scoring_fleet(4, probes=12, years=0.6, sites=2).tables


def test_csv_has_the_columns_of_the_contract(tables, tmp_path):
    """Required columns are there, times are ISO 8601, dates stand alone, yes and no are words."""
    paths = {path.stem: path for path in write_csv(tables, tmp_path)}
    readings = pd.read_csv(paths["readings"], dtype=str, keep_default_na=False)
    needed = {"probe", "taken_at", "window", "measurement", "counts", "count_time_s", "source", "repeat", "reseated"}
    assert needed <= set(readings.columns)
    assert len(readings) == len(tables["readings"])
    assert readings["taken_at"].str.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d").all()
    assert set(readings["reseated"]) <= {"yes", "no"}
    assert readings["counts"].str.fullmatch(r"\d+").all()
    probes = pd.read_csv(paths["probes"], dtype=str)
    assert probes["in_service_on"].str.fullmatch(r"\d{4}-\d\d-\d\d").all()


def test_parquet_and_xlsx_give_back_the_counts(tables, tmp_path):
    """Counts and times come back from both formats as they were."""
    write_parquet(tables, tmp_path)
    (book,) = write_xlsx(tables, tmp_path / "fleet.xlsx")
    for back in (
        pd.read_parquet(tmp_path / "readings.parquet"),
        pd.read_excel(book, sheet_name="readings", engine="openpyxl"),
    ):
        assert back["counts"].tolist() == tables["readings"]["counts"].tolist()
        assert (back["taken_at"].to_numpy() == tables["readings"]["taken_at"].to_numpy()).all()
