"""Verdicts, five states of a criterion, accepted exceptions, and how many cases would settle.

Number meeting the standard of those eligible, exceptions agreed in advance, cases not yet due apart:
a royal college's evaluation criteria for audits and a national guide on documenting local audit
(standards 1.1, items 5 and 10; the five states are this project's). Intervals: statsmodels (Wilson),
scipy (Student's t, Poisson). Cases and states are worked by hand beside the tables.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

import audit
from audit.criteria import AcceptedReason, Criterion
from audit.estimates.clusters import (
    clustered_mean,
    clustered_median,
    clustered_proportion,
    clustered_rate,
)
from audit.estimates.estimate import Estimate
from audit.quality.fitness import UNFIT
from audit.standards import COLUMNS, STATE_COLUMNS, VERDICTS, case_states, judge_standards, verdict
from audit.standards.settle import NO_LIMIT, ON_TARGET, TOO_FEW, TOO_MANY, more_to_settle

BASE = Criterion(
    id="one",
    words="x",
    measure="gain_within_tolerance",
    statistic="proportion",
    target=0.9,
    direction="at_least",
    source="x",
    target_level="published",
    index_date="distraction_end_date",
    minimum_completeness=0.0,
)
DIED = AcceptedReason(column="outcome_status", codes=("died",), words="died")
TAKEN_OVER = AcceptedReason(column="arrival_date", codes=("given",), words="taken over")
DYSPLASIA = AcceptedReason(column="aetiology", codes=("skeletal_dysplasia",), words="dysplasia")

# Plan 40 mm each, tolerance 5 mm. A: 40, within. B: 30, not. C: 30 and died. D: 30 and taken over.
# E: 41 and died, within in spite of it. F: in treatment, distraction goes on. G: distraction ended,
# gain not recorded. H: lost before the end of distraction. I: 8 mm gained, 32 short. J: in treatment,
# with both dates, united; 36 mm.
PATIENTS = """
patient_id sex    aetiology
A          female congenital
B          male   skeletal_dysplasia
C          male   congenital
D          male   congenital
E          male   congenital
F          male   congenital
G          male   congenital
H          male   congenital
I          male   congenital
J          male   congenital
"""
CASES = """
case_id patient_id side segment device_class     age_at_surgery_years surgery_date planned_gain_mm distraction_start_date distraction_end_date achieved_gain_mm union_date full_weight_bearing_date last_follow_up_date outcome_status    outcome_date arrival_date
A       A          left femur   lengthening_nail 20                   2025-01-10   40              2025-01-17             2025-02-26           40               2025-05-10 2025-05-20               2025-10-01          completed         2025-10-01   -
B       B          left femur   lengthening_nail 20                   2025-01-10   40              2025-01-17             2025-02-16           30               2025-05-10 2025-07-20               2025-10-01          completed         2025-10-01   -
C       C          left femur   lengthening_nail 20                   2025-02-10   40              2025-02-17             2025-03-19           30               -          -                        2025-04-01          died              2025-04-01   -
D       D          left femur   lengthening_nail 20                   2025-02-10   40              2025-02-17             2025-03-19           30               2025-06-10 2025-06-20               2025-10-01          completed         2025-10-01   2025-02-24
E       E          left femur   lengthening_nail 20                   2025-02-10   40              2025-02-17             2025-03-30           41               -          -                        2025-04-01          died              2025-04-01   -
F       F          left femur   lengthening_nail 20                   2025-11-20   40              2025-11-27             -                    -                -          -                        2025-12-20          in_treatment      -            -
G       G          left femur   lengthening_nail 20                   2025-03-10   40              2025-03-17             2025-04-26           -                2025-08-10 2025-08-20               2025-10-01          completed         2025-10-01   -
H       H          left femur   lengthening_nail 20                   2025-03-10   40              2025-03-17             -                    -                -          -                        2025-04-01          lost_to_follow_up 2025-04-01   -
I       I          left femur   lengthening_nail 20                   2025-03-10   40              2025-03-17             2025-03-25           8                2025-05-10 2025-05-20               2025-10-01          stopped_early     2025-03-25   -
J       J          left femur   lengthening_nail 20                   2025-08-10   40              2025-08-17             2025-09-22           36               2025-12-10 -                        2025-12-20          in_treatment      -            -
"""  # fmt: skip
CUTOFF = "2025-12-31"
QUARTER = pd.Period("2025Q4")


@pytest.fixture
def ten(cohort_of):
    cohort = cohort_of(CUTOFF, patients=PATIENTS, cases=CASES)
    return cohort, audit.measure_cases(cohort)


def states_of(ten, criterion: Criterion) -> dict[str, str]:
    found = case_states(*ten, [criterion])
    assert found["unit_id"].is_unique
    return dict(zip(found["unit_id"], found["state"], strict=True))


def judged(ten, criterion: Criterion, quarter: pd.Period = QUARTER) -> pd.DataFrame:
    return judge_standards(*ten, [criterion], quarter).set_index("window")


# --- verdicts -------------------------------------------------------------------------------------
def estimate(value, low, high) -> Estimate:
    note = "" if value is not None else "nothing"
    return Estimate(value=value, low=low, high=high, level=0.95, n=9, missing=0, method="m", unit="", note=note)  # fmt: skip


@pytest.mark.parametrize(
    ("value", "low", "high", "at_most", "at_least"),
    [
        (5.0, 4.0, 6.0, "met", "not met"),
        (7.0, 6.0, 8.0, "met", "met"),  # the target itself counts as met: limits 8 and 6
        (9.0, 8.5, 9.5, "not met", "met"),
        (8.0, 7.0, 9.0, "uncertain", "uncertain"),
        (8.0, None, 9.0, "uncertain", "uncertain"),
        (5.0, 4.0, None, "uncertain", "uncertain"),
        (None, None, None, "not estimable", "not estimable"),
    ],
)
def test_verdict_needs_the_whole_interval_on_one_side(value, low, high, at_most, at_least):
    found = estimate(value, low, high)
    assert verdict(found, target=8.0, direction="at_most") == at_most
    target = 6.0 if value == 7.0 else 8.0
    assert verdict(found, target=target, direction="at_least") == at_least


# --- the five states ------------------------------------------------------------------------------
def test_states_of_a_yes_or_no(ten):
    plain = states_of(ten, BASE)
    assert plain == {
        "A": "met", "B": "not met", "C": "not met", "D": "not met", "E": "met", "F": "not yet due",
        "G": "missing", "H": "missing", "I": "not met", "J": "met",
    }  # fmt: skip
    excused = dataclasses.replace(BASE, exceptions=(DIED, TAKEN_OVER, DYSPLASIA))
    changed = {"B": "exception", "C": "exception", "D": "exception"}
    assert states_of(ten, excused) == plain | changed  # E died and meets it: met
    found = case_states(*ten, [excused]).set_index("unit_id")
    assert found.loc[["B", "C", "D"], "reason"].tolist() == ["dysplasia", "died", "taken over"]
    assert found.loc["E", "excused"] == "died"
    assert found.loc[["A", "B"], "reason"].tolist()[0] == ""
    assert found.loc["G", "reason"] == "gain at the end of distraction not recorded"
    assert found.loc[["F", "H"], "reason"].tolist() == ["no day of distraction end"] * 2


def test_a_yes_that_few_should_have_is_met_by_a_no(ten):
    """The same answers judged by at_most: A, E and J say yes and so do not meet it."""
    few = dataclasses.replace(BASE, direction="at_most", target=0.1)
    found = states_of(ten, few)
    assert [found[case] for case in "ABCDEIJ"] == [
        "not met", "met", "met", "met", "not met", "met", "not met"
    ]  # fmt: skip


def test_states_of_an_average(ten):
    """Healing index: A 120 days / 4 cm = 30; B 120 / 3 = 40; D 120 / 3 = 40; J 122 / 3.6 = 33.9.
    I gained 8 mm: no index is formed, so the criterion does not speak of it. C and E died and H was
    lost before union; F waits; G lacks its gain."""
    index = dataclasses.replace(
        BASE,
        measure="healing_index_days_per_cm",
        statistic="mean",
        target=35,
        direction="at_most",
        index_date="union_date",
    )
    assert states_of(ten, index) == {
        "A": "met", "B": "not met", "C": "missing", "D": "not met", "E": "missing",
        "F": "not yet due", "G": "missing", "H": "missing", "I": "not applicable", "J": "met",
    }  # fmt: skip
    found = case_states(*ten, [index]).set_index("unit_id")
    assert found.loc["I", "reason"] == "less than 10 mm gained"
    assert found.loc["A", "value"] == 30
    assert found["day"].isna().sum() == 4  # C, E, F and H belong to no window


def test_waiting_for_a_milestone_is_not_yet_due_and_an_ended_wait_is_missing(ten):
    """The same by day of surgery: every case has its index day, so all are in a window."""
    index = dataclasses.replace(
        BASE,
        measure="healing_index_days_per_cm",
        statistic="mean",
        target=35,
        direction="at_most",
        index_date="surgery_date",
    )
    found = states_of(ten, index)
    assert (found["F"], found["C"], found["H"], found["G"]) == ("not yet due",) + ("missing",) * 3
    row = judged(ten, index).loc["all"]
    assert (row["n"], row["missing"], row["not_yet_due"], row["not_applicable"]) == (4, 4, 1, 1)


def test_a_treatment_stopped_early_is_waited_for_while_it_is_followed(cohort_of):
    cases = CASES.replace("in_treatment      -          ", "stopped_early     2025-12-20 ")
    index = dataclasses.replace(
        BASE, measure="healing_index_days_per_cm", statistic="mean", target=35, direction="at_most",
        index_date="union_date",
    )  # fmt: skip
    for cutoff, state in (("2025-12-31", "not yet due"), ("2026-06-30", "missing")):
        cohort = cohort_of(cutoff, patients=PATIENTS, cases=cases)
        assert states_of((cohort, audit.measure_cases(cohort)), index)["F"] == state


def test_a_case_that_is_too_young_is_not_yet_due_whatever_it_shows(ten):
    """J ended distraction on 22 September: due 120 days later, 20 January."""
    slow = dataclasses.replace(BASE, matures_after_days=120)
    found = case_states(*ten, [slow]).set_index("unit_id")
    assert (found.loc["J", "state"], found.loc["J", "reason"]) == (
        "not yet due",
        "due on 2026-01-20",
    )
    assert found.loc["A", "state"] == "met"
    exact = dataclasses.replace(BASE, matures_after_days=100)  # 31 December is day 100
    assert states_of(ten, exact)["J"] == "met"


EVENTS = """
complication_id case_id occurred_on origin unplanned_operation
K1              A       2025-03-01  joint  yes
K2              A       2025-04-01  joint  no
K3              B       2025-04-01  bone   no
"""


def test_states_of_a_rate(cohort_of):
    """Complications: A has two, B one; unplanned operations: A has one. By day of surgery, due after
    60 days: F, operated 41 days before the cut-off, is not."""
    cohort = cohort_of(CUTOFF, patients=PATIENTS, cases=CASES, complications=EVENTS)
    pair = cohort, audit.measure_cases(cohort)
    rate = dataclasses.replace(
        BASE, measure="complications_per_100_cases", statistic="rate", target=34,
        direction="at_most", index_date="surgery_date", matures_after_days=60,
    )  # fmt: skip
    found = states_of(pair, rate)
    assert found == {case: "met" for case in "CDEGHIJ"} | {
        "A": "not met", "B": "not met", "F": "not yet due"
    }  # fmt: skip
    row = judged(pair, rate).loc["all"]
    assert row["value"] == pytest.approx(100 * 3 / 9)
    theatre = dataclasses.replace(rate, measure="unplanned_operations_per_100_cases")
    assert states_of(pair, theatre)["B"] == "met"
    assert judged(pair, theatre).loc["all", "value"] == pytest.approx(100 * 1 / 9)


def test_without_its_table_a_rate_is_missing_and_not_zero(ten):
    rate = dataclasses.replace(
        BASE, measure="complications_per_100_cases", statistic="rate", target=34,
        direction="at_most", index_date="surgery_date",
    )  # fmt: skip
    assert set(states_of(ten, rate).values()) == {"missing"}
    row = judged(ten, rate).loc["all"]
    assert pd.isna(row["value"])
    assert row["verdict"] == UNFIT
    assert row["note"].startswith("data not fit to judge: the source has no table complications")


STEPS = """
case_id assessed_on load    aid
C       2025-03-30  partial two_crutches
E       2025-03-30  partial two_crutches
F       2025-12-15  partial two_crutches
H       2025-03-30  partial two_crutches
J       2025-12-18  partial two_crutches
"""


def test_states_of_a_time(cohort_of):
    """Target 130 days. A 130 days: on the day, so met. B 191, D 130, G 163, I 71. C and E died on day
    50: never reached. F, day 25 of 41 at the cut-off: waits. H lost on day 22. J, operated on 10 August,
    was seen waiting on 18 December, day 130."""
    cohort = cohort_of(CUTOFF, patients=PATIENTS, cases=CASES, weight_bearing=STEPS)
    pair = cohort, audit.measure_cases(cohort)
    time = dataclasses.replace(
        BASE, measure="time_to_full_weight_bearing_by_case", statistic="median_time", target=130,
        direction="at_most", index_date="surgery_date",
    )  # fmt: skip
    expected = {
        "A": "met", "B": "not met", "C": "not met", "D": "met", "E": "not met", "F": "not yet due",
        "G": "not met", "H": "missing", "I": "met", "J": "not met",
    }  # fmt: skip
    assert states_of(pair, time) == expected
    excused = dataclasses.replace(time, exceptions=(DIED,))
    assert states_of(pair, excused) == expected | {"C": "exception", "E": "exception"}
    later = dataclasses.replace(time, target=140)  # J: 28 December, in front of the cut-off
    assert states_of(pair, later) == expected | {"J": "missing"}
    far = dataclasses.replace(time, target=150)
    assert states_of(pair, far)["J"] == "not yet due"  # 7 January: still to come
    year = states_of(pair, dataclasses.replace(time, target=400))  # up for nobody yet
    assert (year["F"], year["J"], year["H"], year["C"]) == ("not yet due",) * 2 + ("missing", "not met")  # fmt: skip
    slow = dataclasses.replace(time, target=100, direction="at_least")
    found = states_of(pair, slow)
    assert (found["A"], found["I"], found["J"], found["F"]) == (
        "met",
        "not met",
        "met",
        "not yet due",
    )


def test_a_walking_episode_is_one_unit_and_excused_through_any_of_its_cases(cohort_of):
    """Both legs of A on one day: one unit, reached when the later leg is (day 191)."""
    second = (
        CASES.strip()
        .splitlines()[2]
        .replace("B       B          left ", "A2      A          right ")
    )
    cohort = cohort_of(CUTOFF, patients=PATIENTS, cases=CASES + second + "\n")
    pair = cohort, audit.measure_cases(cohort)
    time = dataclasses.replace(
        BASE, measure="time_to_full_weight_bearing", statistic="median_time", target=150,
        direction="at_most", index_date="surgery_date", unit="", exceptions=(DIED,),
    )  # fmt: skip
    assert time.unit == "walking_episode"
    found = case_states(*pair, [time]).set_index("case_ids")
    assert len(found) == 10
    assert (found.loc["A+A2", "state"], found.loc["A+A2", "value"]) == ("not met", 191)
    assert found.loc["C", "state"] == "exception"
    row = judged(pair, time).loc["all"]
    assert row["unit_of_analysis"] == "walking_episode"
    assert (row["eligible"], row["left_out"], row["n"]) == (10, 2, 8)


def test_a_time_per_centimetre_is_judged_by_the_gain_of_the_case(ten):
    """Target 60 days/cm. J gained 36 mm: its time is up after 216 days; united after 122: 33.9. C
    gained 30 mm, so 180 days; it died on day 50 without union."""
    time = dataclasses.replace(
        BASE, measure="healing_index_censored_days_per_cm", statistic="median_time", target=60,
        direction="at_most", index_date="surgery_date",
    )  # fmt: skip
    found = states_of(ten, time)
    assert (found["J"], found["C"], found["I"], found["F"]) == (
        "met", "missing", "not applicable", "not yet due"
    )  # fmt: skip
    row = judged(ten, time).loc["all"]
    assert row["unit"] == "days/cm"


# --- the estimate without the exceptions ----------------------------------------------------------
def test_exceptions_leave_the_denominator_of_a_share_and_stand_apart(ten):
    """A, E and J met; B, C, D and I not. Without exceptions 3 of 7; C and D excused: 3 of 5."""
    row = judged(ten, BASE).loc["all"]
    assert (row["n"], row["value"], row["left_out"]) == (7, pytest.approx(3 / 7), 0)
    excused = dataclasses.replace(BASE, exceptions=(DIED, TAKEN_OVER))
    row = judged(ten, excused).loc["all"]
    assert (row["met"], row["not_met"], row["exception"]) == (3, 2, 2)
    assert (row["n"], row["left_out"], row["missing"]) == (5, 2, 1)
    assert row["value"] == pytest.approx(row["met"] / (row["met"] + row["not_met"]))
    assert "left out as accepted exceptions: 2" in row["note"]
    assert (row["eligible"], row["no_index_day"]) == (8, 2)  # F and H have no end of distraction


def test_an_exception_takes_a_case_out_of_an_average_whatever_its_value(ten):
    """Gain error: C -10, D -10, E +1. Taking out C and not E, both of whom died, would bend the mean:
    (0 - 10 - 10 - 32 - 4) / 5 = -11.2 without the two who died, D still in."""
    error = dataclasses.replace(
        BASE, measure="gain_error_mm", statistic="mean", target=-5, exceptions=(DIED,)
    )
    row = judged(ten, error).loc["all"]
    assert row["value"] == pytest.approx((0 - 10 - 10 - 32 - 4) / 5)
    assert (row["n"], row["left_out"], row["exception"]) == (5, 2, 1)  # E meets it and is met
    assert row["n"] + row["missing"] + row["not_yet_due"] + row["left_out"] == row["eligible"]


def test_the_columns_keep_their_names_and_order(ten):
    table = judge_standards(*ten, [BASE], QUARTER)
    assert list(table) == COLUMNS
    old = [
        "criterion", "words", "population", "measure", "statistic", "window", "target", "direction",
        "index_date", "n", "missing", "not_yet_due", "value", "low", "high", "level", "method",
        "unit", "verdict", "note", "target_level", "reason", "source", "due", "with_inputs",
        "completeness", "minimum_completeness",
    ]  # fmt: skip
    assert COLUMNS[: len(old)] == old
    assert judge_standards(*ten, [], QUARTER).empty
    assert list(case_states(*ten, []).columns)[:3] == ["criterion", "unit_id", "case_ids"]


def test_a_child_is_a_child_on_the_day_of_the_surgery_that_is_counted(cohort_of):
    """One patient operated at 17 and again at 19: a case of each age."""
    lines = CASES.strip().splitlines()
    young = lines[1].replace("20                   2025-01-10", "17                   2025-01-10")
    old = lines[2].replace("B       B   ", "B       A   ").replace("2025-01-10", "2025-01-12")
    head = "\n".join([lines[0], young, old.replace("left ", "right "), ""])
    cohort = cohort_of(CUTOFF, patients=PATIENTS, cases=head)
    pair = cohort, audit.measure_cases(cohort)
    for age, cases in (("child", ["A"]), ("adult", ["B"])):
        time = dataclasses.replace(
            BASE, measure="time_to_union", statistic="median_time", age=age, target=150,
            direction="at_most", index_date="surgery_date",
        )  # fmt: skip
        assert list(states_of(pair, time)) == cases


# --- fit to judge ---------------------------------------------------------------------------------
def test_data_that_are_not_fit_have_a_verdict_of_their_own(ten):
    """Of the nine cases due, G and H lack what the measure needs: 7 of 9 is under 0.9."""
    strict = dataclasses.replace(BASE, minimum_completeness=0.95)
    row = judged(ten, strict).loc["all"]
    assert row["verdict"] == UNFIT == "data not fit to judge"
    assert VERDICTS == ("met", "not met", "uncertain", "not estimable", UNFIT)
    assert row["note"].startswith(f"{UNFIT}: ")
    assert row["value"] == pytest.approx(3 / 7)  # value and interval stay
    assert not pd.isna(row["low"])
    assert pd.isna(row["cases_to_settle"])


# --- how many more cases --------------------------------------------------------------------------
def ask(found: Estimate, statistic: str, target: float, values, patients=None, direction="at_most"):
    criterion = dataclasses.replace(
        BASE, statistic=statistic, target=target, direction=direction, measure="gain_error_mm"
    )
    series = pd.Series(np.asarray(values, dtype=float))
    people = pd.Series(range(len(series)) if patients is None else patients)
    return more_to_settle(found, criterion, series, people)


@pytest.mark.parametrize(("n", "target"), [(18, 0.95), (5, 0.8), (2, 0.9), (40, 0.97)])
def test_a_share_without_a_miss_grows_by_wilson(n, target):
    found = clustered_proportion([True] * n, range(n))
    more = ask(found, "proportion", target, [1] * n, direction="at_least")
    needed = n
    while proportion_confint(needed, needed, method="wilson")[0] < target:
        needed += 1
    assert (more.number, more.reason) == (needed - n, "")


@pytest.mark.parametrize("seed", range(5))
def test_a_mean_grows_by_students_t_at_the_same_spread(seed):
    values = np.random.default_rng(seed).normal(33, 12, 9)
    found = clustered_mean(values, range(9))
    target = found.value + 0.7 * (found.high - found.value)
    more = ask(found, "mean", target, values)
    spread, needed = values.std(ddof=1), 9
    while stats.t.ppf(0.975, needed - 1) * spread / math.sqrt(needed) > target - found.value:
        needed += 1
    assert more.number == needed - 9 > 0


def grown(values, patients, times):
    """The same people again and again, as new people."""
    values, patients = np.asarray(values, dtype=float), np.asarray(patients)
    ids = np.concatenate([patients + 1000 * k for k in range(times)])
    return np.tile(values, times), ids


@pytest.mark.parametrize(
    ("statistic", "make", "draw"),
    [
        ("proportion", clustered_proportion, lambda g, n: g.random(n) < 0.8),
        (
            "rate",
            lambda v, p: clustered_rate(v, np.ones(len(v)), p, per=100),
            lambda g, n: g.poisson(0.6, n),
        ),
        ("mean", clustered_mean, lambda g, n: g.normal(50, 9, n)),
    ],
)
@pytest.mark.parametrize("seed", range(4))
def test_that_many_copies_of_the_cases_settle_it_and_fewer_do_not(statistic, make, draw, seed):
    """Patients with one to three cases. The answer is compared with the verdict of the estimator
    itself on the same patients taken two, three ... times over."""
    generator = np.random.default_rng(seed)
    patients = np.repeat(np.arange(14), generator.integers(1, 4, 14))
    values = draw(generator, len(patients)).astype(float)
    found = make(values, patients)
    target = found.value + 0.5 * (found.high - found.value)
    assert verdict(found, target=target, direction="at_most") == "uncertain"
    more = ask(found, statistic, target, values, patients)
    times = 2
    while verdict(make(*grown(values, patients, times)), target=target, direction="at_most") == "uncertain":  # fmt: skip
        times += 1
    assert (times - 1) * len(values) < more.number + len(values) + 1
    assert more.number + len(values) <= times * len(values) + 1


def test_a_rate_without_events_grows_by_the_exact_poisson_limit():
    """Upper limit of no events in n cases: -ln(0.025) / n = 3.689 / n (Garwood)."""
    found = clustered_rate([0] * 7, [1] * 7, range(7), per=100)
    more = ask(found, "rate", 10, [0] * 7)
    needed = math.ceil(100 * stats.chi2.ppf(0.975, 2) / 2 / 10)
    assert more.number == needed - 7 == 30


def test_a_median_draws_near_with_the_square_root():
    values = np.random.default_rng(2).normal(100, 20, 30)
    found = clustered_median(values, range(30), resamples=400)
    target = found.value + 0.52 * (found.high - found.value)
    more = ask(found, "median", target, values)
    assert more.number == math.ceil(30 / 0.52**2) - 30


def test_where_it_cannot_be_said_there_is_a_reason():
    values = [30.0, 40.0, 50.0, 35.0, 45.0, 40.0]
    found = clustered_mean(values, range(6))
    assert ask(found, "mean", found.value, values).reason == ON_TARGET
    assert ask(found, "mean", found.value + 1e-6, values).reason == TOO_MANY
    short = clustered_mean(values[:3], range(3))
    assert ask(short, "mean", 41, values[:3]).reason == TOO_FEW
    alone = clustered_mean(values, [1] * 6)
    assert ask(alone, "mean", 45, values, [1] * 6).reason == NO_LIMIT
    assert ask(found, "mean", 45, values).reason == ""


def test_only_an_uncertain_verdict_asks_for_more(ten):
    row = judged(ten, dataclasses.replace(BASE, target=0.8)).loc["all"]
    assert row["verdict"] == "uncertain" and row["cases_to_settle"] > 0
    for target in (0.0, 1.0):
        clear = judged(ten, dataclasses.replace(BASE, target=target)).loc["all"]
        assert clear["verdict"] == ("met" if target == 0 else "not met")
        assert pd.isna(clear["cases_to_settle"])


# --- on any cohort --------------------------------------------------------------------------------
def random_tables(seed: int, count: int) -> dict[str, pd.DataFrame]:
    """An invented service with gaps, losses, deaths, two cases a patient and odd dates."""
    draw = np.random.default_rng(seed)
    people = [f"P{number}" for number in range(1 + count // 2)]
    surgery = pd.Timestamp("2024-01-01") + pd.to_timedelta(draw.integers(0, 720, count), "D")

    def after(start, low, high, missing):
        days = start + pd.to_timedelta(draw.integers(low, high, count), "D")
        return pd.Series(days).where(draw.random(count) >= missing)

    end = after(surgery, 20, 120, 0.2)
    status = draw.choice(
        ["in_treatment", "completed", "lost_to_follow_up", "died", "amputated", "stopped_early"],
        count, p=[0.3, 0.4, 0.1, 0.08, 0.04, 0.08],
    )  # fmt: skip
    cases = pd.DataFrame(
        {
            "case_id": [f"C{number:04d}" for number in range(count)],
            "patient_id": draw.choice(people, count),
            "side": draw.choice(["left", "right"], count),
            "segment": draw.choice(["femur", "tibia", "humerus"], count, p=[0.5, 0.4, 0.1]),
            "device_class": draw.choice(
                ["lengthening_nail", "circular_fixator", "lengthening_over_nail"], count
            ),
            "age_at_surgery_years": draw.integers(6, 40, count),
            "surgery_date": surgery,
            "planned_gain_mm": draw.integers(20, 60, count),
            "distraction_start_date": surgery + pd.Timedelta(days=7),
            "distraction_end_date": end,
            "achieved_gain_mm": pd.Series(draw.integers(4, 65, count)).where(draw.random(count) > 0.25),
            "union_date": after(surgery, 120, 400, 0.3),
            "full_weight_bearing_date": after(surgery, 90, 300, 0.3),
            "fixator_removal_date": after(surgery, 130, 300, 0.4),
            "last_follow_up_date": after(surgery, 200, 700, 0.0),
            "outcome_status": status,
            "arrival_date": after(surgery, 1, 200, 0.85),
        }
    )  # fmt: skip
    events = pd.DataFrame(
        {
            "complication_id": [f"K{number}" for number in range(count)],
            "case_id": draw.choice(cases["case_id"], count),
            "occurred_on": after(surgery, 1, 300, 0.0),
            "origin": "joint",
            "unplanned_operation": draw.choice(["yes", "no"], count),
        }
    )
    knees = pd.DataFrame(
        {
            "case_id": np.repeat(cases["case_id"].to_numpy(), 2),
            "examined_on": np.repeat(surgery.to_numpy(), 2)
            + np.tile([np.timedelta64(-3, "D"), np.timedelta64(250, "D")], count),
            "joint": "knee",
            "flexion_deg": draw.integers(60, 140, 2 * count),
        }
    )
    patients = pd.DataFrame(
        {
            "patient_id": people,
            "sex": "female",
            "aetiology": draw.choice(["congenital", "skeletal_dysplasia"], len(people)),
        }
    )
    return {
        "patients": patients, "cases": cases, "complications": events,
        "joint_motion": knees.loc[draw.random(2 * count) > 0.2],
    }  # fmt: skip


def register() -> list[Criterion]:
    """A criterion of every kind, by several index days, with and without exceptions."""
    every = dataclasses.replace(BASE, exceptions=(DIED, TAKEN_OVER, DYSPLASIA))
    average = {"statistic": "mean", "direction": "at_most"}
    time = {"statistic": "median_time", "index_date": "surgery_date", "direction": "at_most"}
    changes = [
        {},
        {"index_date": "surgery_date", "matures_after_days": 200},
        {"exceptions": ()},
        {**average, "measure": "healing_index_days_per_cm", "index_date": "union_date", "target": 45},
        {**average, "measure": "healing_index_days_per_cm", "index_date": "surgery_date", "target": 45},
        {**average, "measure": "external_fixation_index_days_per_cm", "index_date": "fixator_removal_date", "target": 40},
        {**average, "measure": "weight_bearing_index_days_per_cm", "index_date": "full_weight_bearing_date", "target": 40, "age": "child"},
        {"statistic": "mean", "measure": "knee_flexion_retention_pct", "index_date": "union_date", "matures_after_days": 90, "target": 90},
        {**average, "statistic": "rate", "measure": "complications_per_100_cases", "index_date": "surgery_date", "target": 50, "matures_after_days": 180},
        {**average, "statistic": "rate", "measure": "unplanned_operations_per_100_cases", "index_date": "union_date", "target": 50},
        {**time, "measure": "time_to_full_weight_bearing", "target": 150, "unit": ""},
        {**time, "measure": "time_to_full_weight_bearing_by_case", "target": 150, "age": "adult"},
        {**time, "measure": "time_to_union", "target": 200, "device_class": ("circular_fixator",)},
        {**time, "measure": "healing_index_censored_days_per_cm", "target": 50},
        {**time, "measure": "time_to_knee_recovery", "target": 250, "direction": "at_least"},
    ]  # fmt: skip
    return [
        dataclasses.replace(every, id=f"c{place}", **change) for place, change in enumerate(changes)
    ]


STATES = list(STATE_COLUMNS)


@pytest.mark.parametrize(("seed", "count"), [(1, 3), (2, 12), (3, 250), (4, 250), (5, 250)])
def test_the_states_add_up_on_random_cohorts(seed, count):
    """Quarters of some 30 random cases each, in services of any size: every quarter, rolling year
    and all time is a cohort of its own."""
    cohort = audit.build_cohort(audit.tables_from_frames(random_tables(seed, count)), "2025-12-31")
    measured, criteria = audit.measure_cases(cohort), register()
    untouched = measured.copy()
    each = case_states(cohort, measured, criteria)
    assert not each.duplicated(["criterion", "unit_id"]).any()
    silent = each["state"].isin(["met", "not met"])
    assert (each.loc[silent, "reason"] == "").all()
    assert (each.loc[~silent, "reason"].str.len() > 0).all()
    for quarter in ("2024Q4", "2025Q4"):
        table = judge_standards(cohort, measured, criteria, pd.Period(quarter))
        check_sums(table, each)
        assert set(table["verdict"]) <= set(VERDICTS)
    pd.testing.assert_frame_equal(measured, untouched)


def check_sums(table: pd.DataFrame, each: pd.DataFrame) -> None:
    assert (table[STATES].sum(axis=1) == table["eligible"]).all()
    rows = table.loc[table["statistic"] != "median_time"]
    parts = rows[["n", "missing", "not_yet_due", "left_out"]].sum(axis=1)
    assert (parts == rows["eligible"]).all()
    shares = rows.loc[(rows["statistic"] == "proportion") & (rows["n"] > 0)]
    met = shares["met"] / (shares["met"] + shares["not_met"])
    np.testing.assert_allclose(shares["value"].astype(float), met)
    for row in table.itertuples():
        mine = each.loc[(each["criterion"] == row.criterion) & each["day"].notna()]
        if row.window != "all":
            last = pd.Period(row.window.split(":")[1])
            first = last if row.window.startswith("quarter") else last - 3
            mine = mine.loc[mine["day"].dt.to_period("Q").between(first, last)]
        counts = mine["state"].value_counts()
        for column, state in {**STATE_COLUMNS, "not_applicable": "not applicable"}.items():
            assert getattr(row, column) == counts.get(state, 0), (row.criterion, row.window, state)
