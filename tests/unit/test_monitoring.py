"""Charts over time of the audit's criteria: lines, signals, verdicts and the words for them.

Runs limits: Anhoej & Olesen 2014, PLoS ONE 9:e113825. Minimum points, trial limits, decisions
that recompute limits, the capability statement: common practice of health-care charts. Worked
charts: the reference checks (NIST/SEMATECH e-Handbook and textbook data, computed with R).
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import pandas as pd
import pytest

from audit.estimates.chart_power import rate_chart_power
from audit.estimates.charts import control_chart
from audit.monitoring import series as monitoring
from audit.monitoring.settings import MonitoringSettings
from tests.reference.checks import assert_close, load_check
from tests.unit.monitoring_service import (
    MEAN,
    RATE,
    Stand,
    criterion,
    number_answers,
    service_events,
    yes_no_answers,
)

EARLY = {"fix_quarters": 99, "fix_points": 99}  # every point gives the lines
COIN = {"target": 0.5}


@pytest.fixture
def series_of(monkeypatch):
    """The series of given answers, its window as long as they are unless settings say otherwise."""

    def build(answers, *, asked=None, settings=None, events=None):
        monkeypatch.setattr(monitoring, "answers_for", lambda *_: answers)
        last = pd.Period(answers.rows["day"].max(), "Q")
        quarters = (last - pd.Period(answers.rows["day"].min(), "Q")).n + 1
        chosen = {"window_quarters": quarters, "recent_quarters": min(4, quarters)}
        return monitoring.series_for(
            Stand() if events is None else Stand(events),
            None,
            asked or criterion(**COIN),
            quarter=last,
            settings=MonitoringSettings(**chosen | (settings or {})),
        )

    return build


def coin(sides: str) -> list[tuple[int, int]]:
    """Quarters of ten cases: 7 of 10 for +, 3 of 10 for -."""
    return [(7 if side == "+" else 3, 10) for side in sides]


def alternating(length: int, start: str) -> str:
    return "".join("+-"[(place + (start == "-")) % 2] for place in range(length))


def blocks(count: int, length: int) -> str:
    """`count` runs over `length` points, half of the points on each side."""
    above, below = ((count + 1) // 2, count // 2)
    up = [len(part) for part in np.array_split(range(length // 2), above)]
    down = [len(part) for part in np.array_split(range(length - length // 2), below)]
    sizes = [size for pair in itertools.zip_longest(up, down, fillvalue=0) for size in pair]
    return "".join("+-"[place % 2] * size for place, size in enumerate(sizes))


def with_run(run: int, length: int) -> str:
    """A run above, then short ones, half of the points on each side where that is possible."""
    above = max(0, length // 2 - run)
    groups = np.array_split(range(length - run - above), above + 1)
    return "+" * run + "+".join("-" * len(group) for group in groups)


# --- runs rules: signal above the longest run, or below the crossings, that chance explains

LIMITS_OF_RUNS = {10: (6, 2), 12: (7, 3), 16: (7, 4), 20: (7, 6), 24: (8, 8), 28: (8, 9)}
LIMITS_OF_RUNS |= {32: (8, 11), 40: (8, 14)}


@pytest.mark.parametrize(
    ("points", "longest", "fewest"), [(n, *v) for n, v in LIMITS_OF_RUNS.items()]
)
def test_a_run_signals_from_one_point_past_the_limit(series_of, points, longest, fewest):
    for extra in (0, 1):
        run = longest + extra
        series = series_of(yes_no_answers(coin(with_run(run, points))), settings=EARLY)
        flagged = series.points["signal"].str.contains("unusually long run")
        assert flagged.any() == flagged.head(run).all() == bool(extra)


@pytest.mark.parametrize(
    ("points", "longest", "fewest"), [(n, *v) for n, v in LIMITS_OF_RUNS.items()]
)
def test_crossings_signal_from_one_below_the_limit(series_of, points, longest, fewest):
    for missing in (0, 1):
        runs = blocks(fewest + 1 - missing, points)
        series = series_of(yes_no_answers(coin(runs)), settings=EARLY)
        assert series.points["signal"].str.contains("few crossings").any() == bool(missing)


# --- what 1.3 of the checks asks of limits


@pytest.mark.parametrize(
    ("points", "state", "words"),
    [
        (5, "withheld", "limits withheld: 5 points, 6 are needed"),
        (6, "trial", "trial limits, 6 points"),
        (12, "trial", "trial limits, 12 points"),
        (13, "drawn", ""),
    ],
)
def test_limits_by_number_of_points(series_of, points, state, words):
    series = series_of(yes_no_answers(coin(alternating(points, "+"))))
    assert series.chart.phases["limits"].tolist() == [state]
    assert series.points["high"].notna().all() == (state != "withheld")
    assert any(words in note for note in series.notes)
    assert any("trial" in note for note in series.notes) == (state == "trial")


def test_limits_are_withheld_while_the_run_chart_shows_a_shift(series_of):
    series = series_of(yes_no_answers(coin("++++++------")))
    assert series.points["high"].isna().all()
    assert any("the run chart shows a shift" in note for note in series.notes)
    assert series.capable.answer == "cannot tell"
    assert series.capable.reason == "there are no limits"


def test_runs_are_tested_from_ten_points(series_of):
    nine = series_of(yes_no_answers(coin("+++++++++")))
    assert not nine.signals
    assert any("runs tests not done: 0 points off" in note for note in nine.notes)
    assert nine.change.answer == "cannot tell"


def test_lines_stay_after_the_first_quarters(series_of):
    steady = coin(alternating(13, "+"))
    longer = series_of(yes_no_answers([*steady, *[(9, 10)] * 9]))
    alone = series_of(yes_no_answers(steady))
    assert longer.points["centre"].unique() == pytest.approx([alone.points["centre"][0]])
    assert longer.points["used_for_limits"].sum() == 13
    assert "limits fixed on the first 13 points" in longer.notes
    assert longer.change.answer == "improved"


def test_high_shares_run_no_runs_tests(series_of):
    # 14 of 20 quarters at 100 %: no line can have points on both sides.
    series = series_of(yes_no_answers([(5, 5)] * 8 + [(4, 5)] * 6 + [(5, 5)] * 6))
    assert not series.signals
    assert series.change.answer == "cannot tell"
    assert "more than half of the points are 100 %" in series.change.reason


# --- the chart follows the kind of number


def test_single_values_as_in_the_published_chart(series_of):
    check = load_check("xmr_nist_flowrate")
    values = check.table()["x"].tolist()
    series = series_of(
        number_answers(values), asked=criterion(**MEAN), settings={"rules": "national_4"}
    )
    assert (series.plan.kind, series.plan.letter, series.plan.unit) == (
        "individual",
        "I",
        "days/cm",
    )
    row = series.points.iloc[0]
    found = {"center": row["centre"], "lcl_266": row["low"], "ucl_266": row["high"]}
    for name, value in found.items():
        assert_close(value, check.expected[name], check.tolerance)
    # Under longest run and crossings the limits stay and the centre is the median.
    median = series_of(number_answers(values), asked=criterion(**MEAN))
    assert median.points["centre"].iloc[0] == pytest.approx(np.median(values))
    assert median.points["high"].iloc[0] == pytest.approx(row["high"])
    assert "median as centre line" in median.chart.method
    assert "screening off" in series.chart.method
    screened = series_of(
        number_answers(check.table()["x"].tolist()),
        asked=criterion(**MEAN),
        settings={"screening": "moving_ranges"},
    )
    assert "screening on" in screened.chart.method


def test_shares_as_in_the_published_chart(series_of):
    check = load_check("p_chart_constant_n")
    table = check.table().astype(int)
    answers = yes_no_answers(list(zip(table["x"], table["n"], strict=True)), first="2010Q1")
    series = series_of(answers, settings=EARLY | {"rules": "national_4"})
    assert series.plan.letter == "P"
    assert_close(series.points["centre"].iloc[0], check.expected["center"], check.tolerance)
    assert_close(series.points["high"].tolist(), check.expected["ucl"], check.tolerance)
    assert_close(series.points["low"].tolist(), check.expected["lcl"], check.tolerance)


def test_rates_as_in_the_published_chart(series_of):
    # Ten cases for each unit of the example: rates per 100 cases are then ten times its rates.
    check = load_check("u_chart_variable_n")
    rows = []
    for place, (events, size) in enumerate(check.table().itertuples(index=False)):
        counts = [1] * int(events) + [0] * int(round(10 * size) - events)
        part = yes_no_answers([(0, len(counts))], first=str(pd.Period("2021Q1") + place)).rows
        rows.append(part.assign(value=np.array(counts, dtype=float)))
    joined = pd.concat(rows, ignore_index=True)
    ids = [f"C{number:05d}" for number in range(len(joined))]
    answers = yes_no_answers([(1, 1)])
    answers = type(answers)(rows=joined.assign(unit_id=ids, patient_id=ids))
    series = series_of(answers, asked=criterion(**RATE))
    assert (series.plan.kind, series.plan.letter) == ("rate", "U")
    assert series.plan.switched == ""
    for name, column in (("center", "centre"), ("lcl", "low"), ("ucl", "high")):
        expected = check.expected[name]
        drawn = series.points[column] / 10
        if name == "center":
            assert_close(drawn.iloc[0], expected, check.tolerance)
        else:
            assert_close(drawn.tolist(), expected, check.tolerance)


# --- signals in words, and the verdict over time


def test_signals_name_points_side_and_rule_and_never_a_cause(series_of):
    series = series_of(yes_no_answers([*coin(alternating(13, "+")), (0, 10), (7, 10)]))
    (sentence,) = series.signals
    assert sentence == (
        "point outside a limit: 2024Q2, on the unwanted side (signal; cause to be found)"
    )


STEADY = alternating(16, "+")
LATE = {
    "improved": STEADY + "+" * 9,
    "worse": STEADY + "-" * 9,
    "unchanged": STEADY + alternating(9, "+"),
}


@pytest.mark.parametrize("answer", LATE)
@pytest.mark.parametrize("rules", ["runs_and_limits", "national_4"])
def test_verdicts_over_time(series_of, answer, rules):
    series = series_of(yes_no_answers(coin(LATE[answer])), settings={"rules": rules})
    assert series.change.answer == answer
    assert bool(series.signals) == (answer != "unchanged")


@pytest.mark.parametrize(("answer", "mirrored"), [("improved", "worse"), ("worse", "improved")])
def test_the_direction_of_improvement_decides(series_of, answer, mirrored):
    asked = criterion(target=0.5, direction="at_most")
    series = series_of(yes_no_answers(coin(LATE[answer])), asked=asked)
    assert series.change.answer == mirrored


def test_an_old_signal_does_not_decide(series_of):
    series = series_of(yes_no_answers(coin("+" * 9 + alternating(31, "-"))))
    assert series.points["signal"].ne("").any()
    assert series.change.answer == "unchanged"


def test_signals_on_both_sides_cannot_tell(series_of):
    series = series_of(yes_no_answers([*coin(STEADY), (10, 10), (0, 10)]))
    assert series.change.answer == "cannot tell"
    assert "both sides" in series.change.reason


def test_a_single_case_outside_a_limit_is_no_shift(series_of):
    values = [30, 34, 31, 35, 32, 33] * 5 + [90, 31, 34]
    series = series_of(number_answers(values), asked=criterion(**MEAN))
    assert series.points["signal"].tolist().count("point outside a limit") == 1
    assert series.change.answer == "cannot tell"
    assert "no shift, but outside a limit: C0031 (2024-05-30); look at each" in series.change.reason


def test_four_rules_are_named_and_one_set_is_used_for_all(series_of):
    series = series_of(yes_no_answers(coin(STEADY)), settings={"rules": "national_4"})
    assert "four signals of a national measurement programme" in series.chart.method
    with pytest.raises(
        ValueError, match=r"rules must be one of .*national_4.*runs_and_limits.*got 'runs'"
    ):
        MonitoringSettings(rules="runs")


# --- the target against the limits

# Ten quarters alternating 3 and 7 of 10 round 0.5: limits 0.5 -/+ 3 sqrt(0.25 / 10) = 0.03, 0.97.
CAPABLE = {
    ("at_least", 0.02): "always",
    ("at_least", 0.5): "hit and miss",
    ("at_least", 0.99): "never",
    ("at_most", 0.99): "always",
    ("at_most", 0.9): "hit and miss",
    ("at_most", 0.01): "never",
}


@pytest.mark.parametrize(("direction", "target"), CAPABLE)
def test_capability(series_of, direction, target):
    asked = criterion(direction=direction, target=target)
    series = series_of(yes_no_answers(coin(alternating(10, "+"))), asked=asked)
    low, high = series.points[["low", "high"]].iloc[0]
    assert (round(low, 2), round(high, 2)) == (0.03, 0.97)
    assert series.capable.answer == CAPABLE[direction, target]


def test_a_changing_process_has_no_capability(series_of):
    series = series_of(yes_no_answers(coin(LATE["worse"])), settings={"rules": "national_4"})
    assert series.points["high"].notna().all()
    assert series.capable.answer == "cannot tell"
    assert "a signal shows" in series.capable.reason


# --- what a quarter can show

QUARTERS = {
    (8, 0.10): (4, 0.005, 0.056),
    (12, 0.10): (5, 0.004, 0.073),
    (15, 0.10): (5, 0.013, 0.164),
    (20, 0.10): (7, 0.002, 0.087),
    (30, 0.10): (8, 0.008, 0.239),
    (15, 0.20): (8, 0.004, 0.213),
    (15, 0.40): (12, 0.002, 0.648),
}


def spread_over_ten(size: int, base: float) -> list[tuple[int, int]]:
    """Ten quarters with `base` of all their cases a yes."""
    total = round(10 * size * base)
    yes = [total // 10 + (place < total % 10) for place in range(10)]
    return [(count, size) for count in yes]


@pytest.mark.parametrize(("size", "base"), QUARTERS)
def test_chance_to_see_a_doubling_at_quarterly_sizes(series_of, size, base):
    # P chart at quarterly sizes, exact binomial chances as tabulated.
    signal_at, false_signal, detect = QUARTERS[size, base]
    counts = spread_over_ten(size, base)
    unwanted = series_of(yes_no_answers(counts), asked=criterion(target=0.5, direction="at_most"))
    missed = series_of(yes_no_answers([(n - yes, n) for yes, n in counts]), asked=criterion())
    for series in (unwanted, missed):
        assert series.power.detail.signal_at == signal_at
        assert round(series.power.detail.false_signal, 3) == false_signal
        assert round(series.power.chance, 3) == detect
        assert f"a quarter of {size} cases" in series.power.words
    assert f"{base:.0%} to {2 * base:.0%} misses" in missed.power.words


def test_chance_to_see_a_doubling_of_a_rate():
    # 10 cases at 0.8 events: limit 0.8 + 3 sqrt(0.08) = 1.6485, so 17 events signal. The Poisson
    # tails of 17 or more at means 8 and 16, summed term by term.
    power = rate_chart_power(10, base=0.8, true=1.6)
    assert power.high == pytest.approx(1.6485, abs=5e-5)
    assert power.signal_at == 17
    for mean, found in ((8, power.false_signal), (16, power.detect)):
        below = sum(math.exp(-mean) * mean**k / math.factorial(k) for k in range(17))
        assert found == pytest.approx(1 - below, rel=1e-9)


@pytest.mark.parametrize("bad", [{"n": 0}, {"base": 0}, {"true": -1}])
def test_power_needs_exposure_and_a_base(bad):
    given = {"n": 10, "base": 0.5, "true": 1.0} | bad
    with pytest.raises(ValueError, match="power needs n and base above 0"):
        rate_chart_power(given["n"], base=given["base"], true=given["true"])


def test_without_an_event_a_doubling_has_no_meaning(series_of):
    series = series_of(yes_no_answers([(10, 10)] * 12))
    assert series.power.chance is None
    assert series.power.words == "a base of 0% cannot be doubled"


# --- changes of the service and decisions on limits

SHIFTED = coin(alternating(14, "+")) + [(9, 10), (10, 10)] * 8
CHANGE = {"happened_on": "2022-02-15", "label": "new films", "kind": "change"}
DECISION = {
    "happened_on": "2024-06-15",
    "label": "limits recomputed",
    "kind": "rebase",
    "criterion": "within",
    "cause": "films read by two",
    "decided_by": "audit lead",
}


def test_without_a_decision_nothing_is_recomputed(series_of):
    series = series_of(yes_no_answers(SHIFTED), events=service_events(CHANGE))
    assert series.points["phase"].unique().tolist() == [1]
    assert series.change.answer == "improved"


def test_a_decision_breaks_the_lines_at_the_first_whole_quarter_after_it(series_of):
    series = series_of(yes_no_answers(SHIFTED), events=service_events(DECISION))
    starts = series.points.groupby("phase")["point"].first()
    assert starts.tolist() == ["2021Q1", "2024Q3"]
    assert series.change.answer != "improved"
    assert any(
        "recomputed from 2024Q3 on: films read by two (decided 2024-06-15 by audit lead)" in note
        for note in series.notes
    )


@pytest.mark.parametrize("change", [{"criterion": "another"}, {"happened_on": "2020-12-01"}])
def test_a_decision_for_another_criterion_or_before_the_start_changes_nothing(series_of, change):
    series = series_of(yes_no_answers(SHIFTED), events=service_events(DECISION | change))
    assert series.points["phase"].unique().tolist() == [1]


def test_a_decision_after_the_last_quarter_waits(series_of):
    late = DECISION | {"happened_on": "2028-09-15"}
    series = series_of(yes_no_answers(SHIFTED), events=service_events(late))
    assert series.points["phase"].unique().tolist() == [1]
    assert (
        "the decision of 2028-09-15 to recompute limits waits for its first point" in series.notes
    )


def test_changes_are_numbered_within_their_quarter(series_of):
    other = CHANGE | {"happened_on": "2023-07-01", "label": "new drill", "criterion": "another"}
    mine = CHANGE | {"happened_on": "2023-07-01", "label": "two readers", "criterion": "within"}
    series = series_of(yes_no_answers(SHIFTED), events=service_events(mine, other, CHANGE))
    assert [(mark.number, mark.words) for mark in series.marks] == [
        (1, "new films"),
        (2, "two readers"),
    ]
    # 15 February is 45 of the 89 days from the first to the last of the fifth quarter.
    assert series.marks[0].place == pytest.approx(4.5 + 45 / 89)
    assert series.marks[1].place == pytest.approx(10.5)


def test_changes_stand_between_single_cases(series_of):
    series = series_of(
        number_answers([30, 34, 31, 35], first="2022-02-10"),
        asked=criterion(**MEAN),
        events=service_events(CHANGE, CHANGE | {"happened_on": "2022-02-16"}),
    )
    # Cases on 10, 15, 20 and 25 February; a change of the 15th stands before that day's case.
    assert [mark.place for mark in series.marks] == [1.5, 2.5]


# --- the window


def test_the_window_shows_the_end_and_the_table_keeps_the_rest(series_of):
    series = series_of(
        yes_no_answers(coin(STEADY)), settings={"window_quarters": 12, "recent_quarters": 4}
    )
    assert len(series.points) == 16
    assert series.charted["point"].tolist()[0] == "2022Q1"
    assert "older points, in the table and the lines but not in view: 4" in series.notes
    whole = control_chart([c for c, _ in coin(STEADY)], [10] * 16, kind="proportion")
    np.testing.assert_allclose(
        series.points["centre"], np.full(16, whole.table["centre"][0]), atol=0.02
    )


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"recent_quarters": 13}, "recent_quarters must be 1 or more and at most window_quarters"),
        ({"screening": "on"}, "screening must be one of .*'on'"),
        ({"rare_chart": "weeks"}, "rare_chart must be one of .*'weeks'"),
        ({"odds_ratio": 1}, "odds_ratio above 1"),
    ],
)
def test_settings_are_checked(change, message):
    with pytest.raises(ValueError, match=message):
        MonitoringSettings(**change)
