"""Several centres together equal one table of all their patients, and hide what must be hidden.

Outside checks: combining two groups (Cochrane Handbook for Systematic Reviews of Interventions,
section 6.5.2.10, table 6.5.a); the remission times of Freireich et al. 1963, Blood 21:699-716, with
the product-limit curve printed in Kleinbaum and Klein, Survival Analysis, chapter 2. Everything
else against the kit's estimators on the rows themselves, which have outside checks of their own.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.errors import UnusableInput
from audit.estimates import averages, clusters, proportions, rates
from audit.estimates.clusters import NO_SPREAD
from audit.estimates.survival import survival_curve
from audit.intake.aggregate_form import COUNTS, HIDDEN, SUMS
from audit.pooling import CAUTION, aggregate, funnel_input, pool, pool_criteria
from audit.pooling.exact import mean_estimates, rate_estimates, ratio_estimates, share_estimates
from audit.pooling.hide import hidden_rows
from audit.pooling.risk import add_steps, curve_of_steps, risk_table
from audit.pooling.sums import add_sums, sums_of
from tests.unit.pooling_centres import centre_run, keyed

PERIODS = ("all", "year_to:2026Q3", "quarter:2026Q3")
NOT_POOLED = {"median_clustered", "q1", "q3", "min", "max", "effective_n"}


@pytest.fixture(scope="module")
def centres(demo_tables):
    return [centre_run(demo_tables, name) for name in ("north", "south")]


@pytest.fixture(scope="module")
def open_year(centres):
    return [aggregate(run, period="year_to:2026Q3", fewest_people=1) for run in centres]


@pytest.fixture(scope="module")
def closed_year(centres):
    return [aggregate(run, period="year_to:2026Q3") for run in centres]


def same(one: pd.Series, two: pd.Series) -> bool:
    one, two = one.astype(float), two.astype(float)
    close = (one - two).abs() <= 1e-9 * np.maximum(1.0, two.abs())
    return bool((close | (one.isna() & two.isna())).all())


@pytest.mark.parametrize("period", PERIODS)
def test_north_and_south_pooled_are_the_whole_service(centres, demo_run, period):
    pooled = keyed(pool([aggregate(run, period=period, fewest_people=1) for run in centres]))
    whole = keyed(demo_run.results.loc[demo_run.results["window"] == period])
    common = pooled.index.intersection(whole.index)
    ours, theirs = pooled.loc[common], whole.loc[common]
    exact = ours.index.get_level_values("statistic") != "median"
    assert exact.sum() > 2000
    for column in ("value", "low", "high", "level"):
        assert same(ours.loc[exact, column], theirs.loc[exact, column]), column
    for column in ("n", "missing", "method", "unit"):
        assert ours.loc[exact, column].tolist() == theirs.loc[exact, column].tolist(), column
    medians, true = ours.loc[~exact], theirs.loc[~exact, "value"]
    ranged = medians["low"].notna()
    assert ranged.sum() > 30
    assert ((medians["low"] <= true) & (true <= medians["high"]))[ranged].all()
    told = medians["value"].notna()
    assert same(medians.loc[told, "value"], true[told])


def test_every_statistic_that_sums_can_carry_is_pooled(open_year, demo_run):
    """What the pooled table lacks is what needs the patients themselves, and nothing else."""
    pooled = set(pool(open_year)["statistic"])
    there = demo_run.results.loc[demo_run.results["window"] == "year_to:2026Q3"]
    there = there.loc[~there["group_by"].isin(["sensitivity"])]
    interval = there["measure"].str.endswith("_interval") | there["measure"].str.startswith(
        "follow"
    )
    lacking = set(there.loc[~interval, "statistic"]) - pooled
    assert {one for one in lacking if "time" not in one and "reached" not in one} == {
        *NOT_POOLED,
        "restricted_mean_clustered",
    }
    assert lacking - NOT_POOLED == {
        f"{one}_clustered"
        for one in ("median_time", "q1_time", "q3_time", "not_reached_at", "restricted_mean")
    }


def test_one_centre_alone_gives_its_own_results(open_year, demo_run):
    own = keyed(pool(open_year[:1]))
    of_all = demo_run.results
    north = keyed(
        of_all.loc[
            (of_all["window"] == "year_to:2026Q3")
            & (of_all["group_by"] == "centre")
            & (of_all["group"] == "north")
        ].assign(group_by="all", group="all")
    )
    common = [key for key in north.index if key in own.index and key[1] != "median"]
    assert len(common) > 100
    for column in ("value", "low", "high"):
        assert same(own.loc[common, column], north.loc[common, column])


def test_the_order_of_the_centres_changes_nothing(closed_year):
    pd.testing.assert_frame_equal(pool(closed_year), pool(closed_year[::-1]))
    pd.testing.assert_frame_equal(pool_criteria(closed_year), pool_criteria(closed_year[::-1]))


def test_it_is_said_that_patients_of_two_centres_count_twice(open_year):
    pooled = pool(open_year)
    over_all = pooled.loc[pooled["group_by"] != "centre"]
    by_people = over_all["statistic"].str.endswith("_clustered") | over_all["measure"].isin(
        ["patients_with_complication", "time_to_full_weight_bearing"]
    )
    assert over_all.loc[by_people, "note"].str.contains(CAUTION, regex=False).all()
    assert not pooled.loc[pooled["group_by"] == "centre", "note"].str.contains(CAUTION).any()


def test_no_pooled_row_without_a_value_lacks_its_reason(closed_year):
    pooled = pool(closed_year)
    assert (pooled.loc[pooled["value"].isna(), "note"] != "").all()
    assert not pooled.duplicated(["measure", "statistic", "group_by", "group", "note"]).any()


def test_hidden_groups_bracket_the_truth(closed_year, demo_run):
    pooled = keyed(pool(closed_year))
    hidden = pooled.loc[pooled["note"].str.contains(HIDDEN, regex=False)]
    whole = keyed(demo_run.results.loc[demo_run.results["window"] == "year_to:2026Q3"])["value"]
    both = hidden.join(whole.rename("true"), how="inner").dropna(subset=["true"])
    low, high = both["low"].fillna(-np.inf), both["high"].fillna(np.inf)
    assert both["value"].isna().all()
    assert both["level"].isna()[both["low"].notna() | both["high"].notna()].all()
    assert ((low <= both["true"] + 1e-9) & (both["true"] <= high + 1e-9)).all()
    assert (both["low"].notna() & both["high"].notna()).sum() > 10


def test_nothing_rests_on_fewer_people_than_asked(closed_year):
    for one in closed_year:
        for name in ("sums", "curves", "criteria"):
            table = one.tables[name]
            few = table["people"].between(1, 2)
            assert few.any()
            assert (table.loc[few, "marker"] == HIDDEN).all()
        sums = one.tables["sums"]
        gone = sums["marker"] == HIDDEN
        assert sums.loc[gone, [name for name in SUMS if name != "base"]].isna().all(axis=None)
        curves = one.tables["curves"]
        keys = ["measure", "group_by", "group"]
        with_steps = set(one.tables["steps"][keys].itertuples(index=False, name=None))
        hidden = curves.loc[curves["marker"] == HIDDEN, keys]
        assert not with_steps & set(hidden.itertuples(index=False, name=None))


def test_a_hidden_group_cannot_be_had_by_subtraction(centres):
    """The sum of a small device class is not the sum over all less the other classes."""
    shown = aggregate(centres[0], period="all").tables["sums"]
    exact = aggregate(centres[0], period="all", fewest_people=1).tables["sums"]
    rows = shown.loc[(shown["measure"] == "gain_error_mm") & (shown["kind"] == "mean")]
    classes = rows.loc[rows["group_by"] == "device_class"]
    small = classes.loc[classes["people"].between(1, 2)]
    assert len(small) == 1
    hidden = classes.loc[classes["marker"] == HIDDEN]
    assert len(hidden) > 1
    true = exact.merge(hidden[["measure", "kind", "group_by", "group"]])
    assert true["people"].sum() >= 3
    all_rows = rows.loc[rows["group_by"] == "all", "total"].iloc[0]
    rest = all_rows - classes["total"].sum()
    assert rest == pytest.approx(true["total"].sum())


def test_pooled_criteria_are_those_of_the_whole_service(open_year, demo_run):
    pooled = pool_criteria(open_year).set_index("criterion")
    whole = demo_run.standards
    whole = whole.loc[whole["window"] == "year_to:2026Q3"].set_index("criterion")
    whole = whole.loc[pooled.index]
    for column in ("value", "low", "high", "n", "missing", "met", "not_met", "exception"):
        assert same(pooled[column], whole[column]), column
    unfit = pooled["verdict"] == "data not fit to judge"
    assert (pooled.loc[~unfit, "verdict"] == whole.loc[~unfit, "verdict"]).all()
    assert (~unfit).sum() >= 10


def test_a_criterion_defined_in_two_ways_has_no_pooled_verdict(open_year):
    north, south = open_year
    other = south.tables["criteria"].copy()
    other.loc[other["criterion"] == "complications_nail", "definition"] = "{}"
    south = dataclasses.replace(south, tables={**south.tables, "criteria": other})
    row = pool_criteria([north, south]).set_index("criterion").loc["complications_nail"]
    assert math.isnan(row["value"])
    assert row["verdict"] == "not estimable"
    assert "differently" in row["note"]
    shorter = other.loc[other["criterion"] != "complications_nail"]
    south = dataclasses.replace(south, tables={**south.tables, "criteria": shorter})
    row = pool_criteria([north, south]).set_index("criterion").loc["complications_nail"]
    assert "not among the criteria of south" in row["note"]


def test_a_funnel_gets_the_shares_of_each_centre_by_size(open_year, closed_year):
    from audit.estimates.funnel import funnel_limits, funnel_positions

    table = funnel_input(open_year, criterion="gain_within_tolerance_fixator")
    assert table["unit"].tolist() == ["south", "north"]
    limits = funnel_limits(0.9, table["size"], method="exact_step")
    placed = funnel_positions(table["events"], table["size"], limits=limits)
    assert placed.table["share"].tolist() == (table["events"] / table["size"]).tolist()
    hidden = funnel_input(closed_year, criterion="gain_within_tolerance_nail_child")
    assert hidden["events"].isna().sum() == 1
    assert (hidden.loc[hidden["events"].isna(), "note"] == "[c] too few people").all()
    with pytest.raises(UnusableInput, match="a criterion that is a share"):
        funnel_input(open_year, criterion="complications_nail")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"period": "all"}, "the period year_to:2026Q3, that of south has all"),
        ({"cutoff": "2026-06-30"}, "the cut-off 2026-09-30, that of south has 2026-06-30"),
        ({"centres": ("north",)}, "The centre north stands in two aggregates"),
        ({"centres": ("east", "north")}, "The centre north stands in two aggregates"),
    ],
)
def test_aggregates_that_do_not_belong_together_are_refused(open_year, change, message):
    north, south = open_year
    with pytest.raises(UnusableInput, match=message):
        pool([north, dataclasses.replace(south, **change)])


def test_other_definitions_are_refused_by_name(open_year):
    north, south = open_year
    other = {**south.definitions, "setting tolerance_mm": "7.0"}
    with pytest.raises(UnusableInput, match=r"setting tolerance_mm \(5.0 and 7.0\)"):
        pool([north, dataclasses.replace(south, definitions=other)])


def test_the_same_data_under_another_code_are_refused(open_year):
    north = open_year[0]
    with pytest.raises(UnusableInput, match="hold the same numbers to the last digit"):
        pool([north, dataclasses.replace(north, centres=("east",))])


def test_what_cannot_be_made_is_refused(centres):
    with pytest.raises(UnusableInput, match="got quarter:2020Q1"):
        aggregate(centres[0], period="quarter:2020Q1")
    with pytest.raises(ValueError, match="fewest_people must be 1 or more"):
        aggregate(centres[0], period="all", fewest_people=0)
    with pytest.raises(UnusableInput, match="code of their own"):
        aggregate(centres[0], period="all", centre="east")
    with pytest.raises(UnusableInput, match="at least one aggregate"):
        pool([])


def rows_of(*parts: dict) -> pd.DataFrame:
    return pd.DataFrame(parts)


def test_two_groups_combine_as_in_the_handbook():
    """Cochrane Handbook 6.5.2.10: mean (N1 M1 + N2 M2) / N and the printed formula of the SD."""
    one = np.array([12.0, 15.5, 9.0, 20.0, 17.5])
    two = np.array([31.0, 28.5, 40.0])
    n1, n2, m1, m2 = 5, 3, one.mean(), two.mean()
    s1, s2 = one.std(ddof=1), two.std(ddof=1)
    between = n1 * n2 / (n1 + n2) * (m1**2 + m2**2 - 2 * m1 * m2)
    sd = math.sqrt(((n1 - 1) * s1**2 + (n2 - 1) * s2**2 + between) / (n1 + n2 - 1))
    sums = add_sums(rows_of(sums_of(one, None, range(5)), sums_of(two, None, range(3))))
    found = mean_estimates(sums, level=0.95, unit="mm")
    assert found["mean"].value == pytest.approx((n1 * m1 + n2 * m2) / 8, rel=1e-12)
    assert found["sd"].value == pytest.approx(sd, rel=1e-12)


def test_remission_times_split_over_two_centres_give_the_printed_curve():
    """6-mercaptopurine arm; events at 6 6 6 7 10 13 16 22 23, + censored (Freireich 1963)."""
    times = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
    seen = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]
    table = pd.DataFrame(
        {
            "duration": np.array(times, dtype=float),
            "observed": np.array(seen, dtype=bool),
            "entry": 0.0,
            "reason": pd.Series(pd.NA, index=range(21), dtype=object),
            "cause": seen,
            "patient_id": [str(number) for number in range(21)],
        }
    )
    parts = [risk_table(table.iloc[start::3])[1] for start in range(3)]
    curve = curve_of_steps(add_steps(pd.concat(parts)), missing=0, unit="days", level=0.95)
    printed = {6: 0.8571, 7: 0.8067, 10: 0.7529, 13: 0.6902, 16: 0.6275, 22: 0.5378, 23: 0.4482}
    for week, share in printed.items():
        assert curve.at(week).value == pytest.approx(share, abs=5e-5)
    assert curve.median().value == 23
    at_risk = curve.table.set_index("time")["at_risk"]
    assert [at_risk[week] for week in printed] == [21, 17, 15, 12, 11, 7, 6]


VALUES = st.lists(
    st.tuples(
        st.sampled_from([None, 0.0, 1.0, 2.0, 7.5, -3.25, 40.125]),
        st.integers(0, 5),
        st.integers(0, 2),
    ),
    min_size=0,
    max_size=30,
)


@settings(max_examples=150, deadline=None)
@given(rows=VALUES)
def test_sums_of_random_centres_give_the_estimates_of_all_rows(rows):
    """value, patient within centre, centre; the estimators on the rows are the second route."""
    table = pd.DataFrame(rows, columns=["value", "person", "centre"])
    values = table["value"].astype(float)
    patient = table["centre"].astype(str) + "/" + table["person"].astype(str)
    parts = [
        sums_of(values[mine], None, patient[mine])
        for _, mine in table.groupby("centre").groups.items()
    ] or [sums_of(values, None, patient)]
    sums = add_sums(rows_of(*parts))
    found = mean_estimates(sums, level=0.95, unit="mm")
    check(found["mean"], averages.mean(values, unit="mm"))
    check(found["sd"], averages.standard_deviation(values, unit="mm"))
    check(found["mean_clustered"], clusters.clustered_mean(values, patient, unit="mm"))
    yes = (values > 1).astype(float).where(values.notna())
    parts = [sums_of(yes[mine], None, patient[mine]) for mine in _groups(table)]
    shares = share_estimates(add_sums(rows_of(*parts)), level=0.95)
    known = yes.dropna()
    plain = proportions.proportion(int(known.sum()), len(known), missing=int(yes.isna().sum()))
    check(shares["proportion"], plain)
    check(shares["proportion_clustered"], clusters.clustered_proportion(yes, patient))


@settings(max_examples=150, deadline=None)
@given(rows=VALUES, scale=st.sampled_from([0.0, 1.0, 0.37]))
def test_rates_and_ratios_of_random_centres(rows, scale):
    table = pd.DataFrame(rows, columns=["value", "person", "centre"])
    events = table["value"].astype(float).abs().round()
    exposure = (table["person"] + 1.0) * scale
    patient = table["centre"].astype(str) + "/" + table["person"].astype(str)
    parts = [sums_of(events[mine], exposure[mine], patient[mine]) for mine in _groups(table)]
    sums = add_sums(rows_of(*parts))
    known = events.notna()
    rate = rate_estimates(sums, level=0.95, unit="")
    plain = rates.rate(
        int(events[known].sum()),
        float(exposure[known].sum()),
        per=100,
        n=int(known.sum()),
        missing=int((~known).sum()),
    )
    check(rate["rate"], plain)
    check(rate["rate_clustered"], clusters.clustered_rate(events, exposure, patient, per=100))
    ratio = ratio_estimates(sums, level=0.95, unit="")
    check(ratio["ratio_of_totals"], averages.ratio_of_totals(events, exposure))
    check(
        ratio["ratio_of_totals_clustered"],
        clusters.clustered_ratio_of_totals(events, exposure, patient),
    )


def _groups(table: pd.DataFrame) -> list:
    return [*table.groupby("centre").groups.values()] or [table.index]


def check(found, wanted) -> None:
    """Equal to 1e-9, with the same n, missing, method and reason.

    Where patients do not differ but for rounding, the estimator on the rows can take that rounding
    for a spread and give limits of no width; the sums give the plain interval, which is wanted.
    """
    both = wanted.low is not None and wanted.high is not None
    no_width = both and wanted.high - wanted.low <= 1e-9 * abs(wanted.high)
    if no_width and NO_SPREAD in found.note and NO_SPREAD not in wanted.note:
        assert found.value == pytest.approx(wanted.value, rel=1e-9)
        return
    for name in ("value", "low", "high"):
        one, two = getattr(found, name), getattr(wanted, name)
        assert (one is None) == (two is None), name
        if one is not None:
            assert one == pytest.approx(two, rel=1e-9, abs=1e-9), name
    for name in ("n", "missing", "method", "note"):
        assert getattr(found, name) == getattr(wanted, name), name


TIMES = st.lists(
    st.tuples(st.integers(0, 12), st.booleans(), st.integers(0, 11), st.integers(0, 2)),
    min_size=1,
    max_size=25,
)


@settings(max_examples=150, deadline=None)
@given(rows=TIMES)
def test_at_risk_tables_of_random_centres_give_the_curve_of_all(rows):
    table = pd.DataFrame(rows, columns=["duration", "observed", "entry", "centre"])
    table = table.assign(
        duration=table["duration"] / 4.0,
        entry=np.minimum(table["entry"], np.maximum(table["duration"] - 1, 0)) / 4.0,
        reason=pd.Series(pd.NA, index=table.index, dtype=object),
        cause=table["observed"].astype(int),
        patient_id=table.index.astype(str),
    )
    parts = [risk_table(own) for _, own in table.groupby("centre")]
    assert sum(header["n"] for header, _ in parts) == len(table)
    steps = add_steps(pd.concat([steps for _, steps in parts]))
    pooled = curve_of_steps(steps, missing=0, unit="days", level=0.95)
    late = bool((table["entry"] > 0).any())
    entry = table["entry"].to_numpy() if late else None
    whole = survival_curve(table["duration"].to_numpy(), table["observed"].to_numpy(), entry)
    pd.testing.assert_frame_equal(pooled.table, whole.table, rtol=1e-12, atol=1e-12)
    check(pooled.median(), whole.median())


def test_a_lone_small_group_takes_a_second_one_with_it():
    """1 + 9 + 30 people: the 1 is hidden, and the 9, or it would be 40 less the others."""
    groups = pd.DataFrame(
        {
            "group_by": ["all", "segment", "segment", "segment"],
            "group": ["all", "femur", "tibia", "other"],
            "people": [40, 30, 9, 1],
        }
    )
    assert hidden_rows(groups, fewest_people=3).tolist() == [False, False, True, True]
    assert not hidden_rows(groups, fewest_people=1).any()


PEOPLE = st.lists(st.integers(0, 6), min_size=9, max_size=9)


@settings(max_examples=200, deadline=None)
@given(cells=PEOPLE, fewest=st.integers(1, 5))
def test_no_hidden_group_follows_from_the_others(cells, fewest):
    """Second route: the null space of the equations; a cell it does not move is known."""
    names = [(d, s) for d in ("a", "b", "c") for s in ("x", "y", "z")]
    inner = {f"{d}+{s}": people for (d, s), people in zip(names, cells, strict=True)}
    rows = [("all", "all", sum(cells))]
    for d in "abc":
        rows.append(("device_class", d, sum(inner[f"{d}+{s}"] for s in "xyz")))
    for s in "xyz":
        rows.append(("segment", s, sum(inner[f"{d}+{s}"] for d in "abc")))
    rows += [("device_class+segment", key, people) for key, people in inner.items()]
    groups = pd.DataFrame(rows, columns=["group_by", "group", "people"])
    groups = groups.loc[(groups["people"] > 0) | (groups["group_by"] == "all")]
    groups = groups.reset_index(drop=True)
    hidden = hidden_rows(groups, fewest_people=fewest)
    small = groups["people"].between(1, fewest - 1).to_numpy()
    assert hidden[small].all()
    place = {group: at for at, group in enumerate(groups["group"])}
    equations = []
    for d in "abc":
        equations.append(([f"{d}+{s}" for s in "xyz"], d))
    for s in "xyz":
        equations.append(([f"{d}+{s}" for d in "abc"], s))
    equations += [([*"abc"], "all"), ([*"xyz"], "all")]
    matrix = np.zeros((len(equations), len(groups)))
    for at, (parts, whole) in enumerate(equations):
        for part in parts:
            if part in place:
                matrix[at, place[part]] = 1
        if whole in place:
            matrix[at, place[whole]] = -1
    unknown = matrix[:, hidden]
    if hidden.any():
        _, sizes, right = np.linalg.svd(unknown)
        free = right[(sizes > 1e-9).sum() :]
        moved = (np.abs(free) > 1e-9).any(axis=0)
        assert moved[groups.loc[hidden, "people"].to_numpy() < fewest].all()


def test_sums_hold_counts_and_sums_only(open_year):
    assert [*sums_of([1.0], None, ["a"])] == [*COUNTS, *SUMS]
    forbidden = {"case_id", "patient_id", "surgeon", "surgery_date"}
    for table in open_year[0].tables.values():
        assert not forbidden & {*table.columns}
