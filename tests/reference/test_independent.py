"""Results on tables that the kit has not seen, against a naive program written from the contract.

`tests/reference/independent.py` was written without sight of the kit's code: rows read one by one,
arithmetic in plain Python, distributions from scipy, curves from lifelines.
"""

from __future__ import annotations

import csv
import dataclasses

import pandas as pd
import pytest

from audit.run import Options, run_audit
from audit.settings import Settings
from demo_data.generator import build_tables
from demo_data.generator.parameters import TRUE
from tests.reference.independent import expected_results

KEY = ["measure", "statistic", "window", "group_by", "group"]
RUNS = [(7, "2025Q4", "2025-12-31"), (20, "2023Q2", "2023-08-11"), (31, "2026Q3", None)]


def _with_day(results: pd.DataFrame) -> pd.Series:
    """Statistics, the share still waiting named with the day that its note gives."""
    day = results["note"].str.extract(r"at (\d+) days")[0]
    waiting = results["statistic"] == "not_reached_at"
    return results["statistic"].where(~waiting, "not_reached_at " + day)


@pytest.fixture(scope="module", params=RUNS, ids=lambda run: f"seed{run[0]}-{run[2]}")
def both(request, tmp_path_factory):
    """(what the naive program expects, what the kit gives), joined on the key columns."""
    seed, quarter, cutoff = request.param
    folder = tmp_path_factory.mktemp("tables")
    for name, frame in build_tables(dataclasses.replace(TRUE, seed=seed)).items():
        with (folder / f"{name}.csv").open("w", newline="", encoding="utf-8") as out:
            writer = csv.writer(out, lineterminator="\n")
            writer.writerow(frame.columns)
            writer.writerows(frame.itertuples(index=False))
    expected = pd.DataFrame(expected_results(folder, cutoff or "2026-09-30", quarter))
    options = Options(settings=Settings(resamples=50))
    run = run_audit(folder, quarter=quarter, cutoff=cutoff, options=options)
    results = run.results.assign(statistic=_with_day(run.results))
    joined = expected.merge(
        results, on=KEY, how="left", suffixes=("", "_kit"), indicator=True, validate="1:1"
    )
    return joined


def test_the_kit_gives_every_number_that_is_expected(both):
    absent = both.loc[both["_merge"] != "both", KEY]
    assert absent.empty, absent.head().to_string()
    assert len(both) > 3000


@pytest.mark.parametrize("column", ["n", "value", "low", "high"])
def test_the_numbers_agree(both, column):
    ours = both[f"{column}_kit"].astype(float)
    theirs = pd.to_numeric(both[column], errors="coerce")  # it gives no limits for curves
    known = theirs.notna()
    close = (ours - theirs).abs() <= 1e-9 * theirs.abs().clip(lower=1)
    wrong = both.loc[known & ~close, [*KEY, "n", column, f"{column}_kit"]]
    assert wrong.empty, f"{len(wrong)} of {known.sum()}\n{wrong.head(20).to_string()}"


def test_what_is_not_estimable_there_is_not_estimable_here(both):
    wrong = both.loc[both["value"].isna() & both["value_kit"].notna(), [*KEY, "n", "value_kit"]]
    assert wrong.empty, wrong.head(20).to_string()
