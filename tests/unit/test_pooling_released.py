"""Controlled tables of several centres: the pooled ranges hold the truth, and tell nothing more.

The truth comes from the same tables made of both centres' people together.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from audit.disclosure.control import control
from audit.disclosure.settings import ControlSettings
from audit.intake.aggregate import read_aggregate
from audit.pooling import aggregate, pool, released_aggregate
from audit.pooling.released import STATISTICS, _named
from audit.release.aggregate_files import save_aggregate
from audit.settings import Settings
from audit.summaries.build import summary_tables
from audit.summaries.rows import average_rows, behind, count_row, rate_row, share_row, summary_frame
from audit.summaries.table import SummaryTable
from tests.unit.pooling_centres import centre_run

CONTROL = ControlSettings()
WANTED = (
    "cohort-by-device-class",
    "outcomes-by-device-class",
    "shares-within-tolerance",
    "events-by-origin",
    "events-by-device-class",
    "event-cases-by-device-class",
    "event-rates-by-device-class",
)
KEYS = ["measure", "statistic", "group_by", "group", "unit"]


@pytest.fixture(scope="module")
def runs(demo_tables):
    """Both centres and all of them; few resamples, for no interval is looked at."""
    found = {}
    for name in ("north", "south", None):
        run = centre_run(demo_tables, name)
        few = Settings(resamples=20)
        found[name] = dataclasses.replace(run, cohort=dataclasses.replace(run.cohort, settings=few))
    return found


@pytest.fixture(scope="module")
def exact_tables(runs):
    return {
        name: [one for one in summary_tables(run, period="all") if one.name in WANTED]
        for name, run in runs.items()
    }


@pytest.fixture(scope="module")
def released(runs, exact_tables):
    return {
        name: released_aggregate(
            control(exact_tables[name], CONTROL, level="external"),
            runs[name],
            settings=CONTROL,
            period="all",
        )
        for name in ("north", "south")
    }


def true_values(tables) -> dict[tuple[str, ...], float]:
    found: dict[tuple[str, ...], float] = {}
    for one in [*tables, *(table.merged for table in tables if table.merged is not None)]:
        for row in one.frame.to_dict("records"):
            statistic = STATISTICS.get(row["statistic"])
            if statistic:
                unit = "" if statistic == "proportion" else row["unit"]
                measure, group_by, group = _named(one, row, statistic)
                found.setdefault((measure, statistic, group_by, group, unit), row["value"])
    return found


def beside_truth(pooled: pd.DataFrame, truth) -> pd.DataFrame:
    """Rows that have a truth, with their ends (infinite where open)."""
    keys = pooled[KEYS].itertuples(index=False, name=None)
    table = pooled.assign(true=[truth.get(key, np.nan) for key in keys]).dropna(subset=["true"])
    told = table["value"].notna()
    return table.assign(
        low=table["low"].fillna(-np.inf).mask(told, table["value"]),
        high=table["high"].fillna(np.inf).mask(told, table["value"]),
    )


def brackets(table: pd.DataFrame) -> bool:
    slack = 1e-9 * table["true"].abs().clip(lower=1.0)
    return bool(
        ((table["low"] <= table["true"] + slack) & (table["true"] <= table["high"] + slack)).all()
    )


def test_ranges_of_two_controlled_centres_hold_the_truth(released, exact_tables):
    found = beside_truth(
        pool([released["north"], released["south"]]), true_values(exact_tables[None])
    )
    assert brackets(found)
    closed = found.loc[np.isfinite(found["low"]) & np.isfinite(found["high"])]
    for statistic in ("count", "proportion", "rate", "mean", "sd", "median"):
        assert (closed["statistic"] == statistic).sum() >= 2, statistic
    wide = closed.loc[closed["low"] < closed["high"]]
    assert wide["note"].str.startswith("[c] ").all()
    assert wide["value"].isna().all()
    assert wide.loc[wide["statistic"] != "proportion_envelope", "level"].isna().all()


@pytest.mark.parametrize("fewest", [1, 3])
def test_one_exact_and_one_controlled_centre_hold_the_truth(runs, released, exact_tables, fewest):
    own = aggregate(runs["north"], period="all", fewest_people=fewest)
    mixed = pool([own, released["south"]])
    found = beside_truth(mixed, true_values(exact_tables[None]))
    assert brackets(found)
    # south merges its small device classes; north's are put together to meet them
    assert (found["group"] == "fixator_or_other").any()
    pd.testing.assert_frame_equal(mixed, pool([released["south"], own]))


def test_an_envelope_holds_the_interval_of_the_true_counts(released, exact_tables):
    from audit.estimates.proportions import proportion

    pooled = pool([released["north"], released["south"]]).set_index(KEYS)
    (table,) = [one for one in exact_tables[None] if one.name == "shares-within-tolerance"]
    whole = table.frame.loc[
        (table.frame["statistic"] == "share") & (table.frame["device_class"] == "all")
    ].iloc[0]
    true = proportion(int(whole["numerator"]), int(whole["denominator"]))
    key = ("gain_within_tolerance", "proportion_envelope", "all", "all", "")
    row = pooled.loc[key]
    assert row["low"] <= true.low
    assert true.high <= row["high"]
    assert row["level"] == 0.95


def test_the_files_hold_ranges_and_no_exact_count(released, exact_tables, tmp_path):
    names = save_aggregate(released["south"], tmp_path / "external")
    assert sorted(names) == ["aggregate-external.json", "cells-external.csv"]
    read = read_aggregate(tmp_path / "external")
    both = [pool([one, released["north"]]) for one in (read, released["south"])]
    pd.testing.assert_frame_equal(*both)
    cells = read.tables["cells"]
    counts = cells.loc[cells["statistic"] == "count"]
    exact = counts["total_low"] == counts["total_high"]
    assert (counts.loc[exact, "total_low"] == 0).all()
    hidden = cells["marker"] == "[c]"
    assert hidden.any()
    assert (
        cells.loc[hidden, "total_high"].fillna(np.inf) > cells.loc[hidden, "total_low"]
    ).sum() > 5


def test_ranges_tell_no_more_than_the_printed_tables(runs, exact_tables):
    """The exact people behind a cell must not move a range: another number of them, same printed
    tables, same ranges."""
    tables = control(exact_tables["south"], CONTROL, level="external")
    other = []
    for one in tables:
        table = one.table
        frame = table.frame.assign(people=1.0, people_with=1.0)
        merged = table.merged and dataclasses.replace(
            table.merged, frame=table.merged.frame.assign(people=1.0, people_with=1.0)
        )
        other.append(
            dataclasses.replace(one, table=dataclasses.replace(table, frame=frame, merged=merged))
        )
    found = [
        released_aggregate(given, runs["south"], settings=CONTROL, period="all")
        for given in (tables, other)
    ]
    assert found[0].fingerprint == found[1].fingerprint


def test_only_controlled_tables_go_in(runs, exact_tables):
    inside = control(exact_tables["south"], CONTROL, level="internal")
    with pytest.raises(ValueError, match="level must be external, got internal"):
        released_aggregate(inside, runs["south"], settings=CONTROL, period="all")
    with pytest.raises(ValueError, match="got no tables"):
        released_aggregate([], runs["south"], settings=CONTROL, period="all")


def random_tables(people: pd.DataFrame) -> list[SummaryTable]:
    """Counts, shares, averages and rates by device class of a random cohort, a row a case."""
    settings = Settings(resamples=10)
    groups = {"all": people["person"].notna()}
    for code in ("lengthening_nail", "circular_fixator", "monolateral_fixator"):
        groups[code] = people["device_class"] == code
    rows = []
    for code, inside in groups.items():
        key, own = {"measure": "gain_error_mm", "device_class": code}, people.loc[inside]
        known = own.loc[own["value"].notna(), "person"]
        rows.append(count_row(key, behind(known, known), unit="cases"))
        rows += average_rows(key, own["value"], own["person"], settings=settings, unit="mm")
    about = {"period": "all", "population": "random", "counted": "cases"}
    both = ("measure", "device_class")
    averages = SummaryTable(
        name="outcomes-by-device-class",
        title="averages",
        dimensions=both,
        frame=summary_frame(both, rows),
        additive=("device_class",),
        **about,
    )
    rows = []
    for code, inside in groups.items():
        key, own = {"measure": "gain_within_tolerance", "device_class": code}, people.loc[inside]
        rows.append(
            count_row(key, behind(own.loc[own["yes"], "person"], own["person"]), unit="cases")
        )
        rows.append(share_row(key, own["yes"], own["person"], settings=settings))
    shares = dataclasses.replace(
        averages, name="shares-within-tolerance", frame=summary_frame(both, rows)
    )
    rows = [
        rate_row({"device_class": code}, people.loc[inside], settings=settings, below="case-months")
        for code, inside in groups.items()
    ]
    months = dataclasses.replace(
        averages,
        name="event-rates-by-device-class",
        dimensions=("device_class",),
        frame=summary_frame(("device_class",), rows),
        additive=(),
    )
    return [averages, shares, months]


def random_people(seed: int, prefix: str) -> pd.DataFrame:
    draw = np.random.default_rng(seed)
    n = int(draw.integers(3, 90))
    codes = ["lengthening_nail", "circular_fixator", "monolateral_fixator"]
    value = draw.normal(0, 4, n)
    return pd.DataFrame(
        {
            "person": [f"{prefix}{one}" for one in draw.integers(0, max(2, int(0.8 * n)), n)],
            "device_class": draw.choice(codes, n, p=[0.6, 0.3, 0.1]),
            "value": np.where(draw.random(n) < 0.1, np.nan, value),
            "yes": draw.random(n) < draw.random(),
            "events": draw.poisson(0.5, n).astype(float),
            "exposure": draw.uniform(2, 30, n),
        }
    )


@pytest.mark.parametrize("seed", range(12))
def test_random_controlled_centres_hold_the_truth(runs, seed):
    people = {name: random_people(10 * seed + at, name) for at, name in enumerate("ns")}
    found = [
        released_aggregate(
            control(random_tables(people[short]), CONTROL, level="external"),
            runs[name],
            settings=CONTROL,
            period="all",
        )
        for short, name in (("n", "north"), ("s", "south"))
    ]
    truth = true_values(random_tables(pd.concat(people.values(), ignore_index=True)))
    table = beside_truth(pool(found), truth)
    assert len(table) > 20
    assert brackets(table)
