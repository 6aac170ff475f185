"""Promises and own times on cohorts worked by hand; the arithmetic stands beside each number.

Kaplan-Meier: product of (1 - events / at risk), Kaplan & Meier 1958. Wilson limits: Newcombe 1998,
Stat Med 17:857-872, the formula written out below.
"""

from __future__ import annotations

import math

import pandas as pd
import pytest

from audit.results.counsel import TOO_FEW, calibration, episode_facts, own_times
from audit.tables.counsel import promise_table

HEAD = (
    "case_id patient_id side segment device_class age_at_surgery_years surgery_date planned_gain_mm "
    "counselled_full_weight_bearing_weeks full_weight_bearing_date last_follow_up_date "
    "outcome_status outcome_date arrival_date\n"
)
FIRST = pd.Timestamp("2025-01-01")


def patients(count: int) -> str:
    return "patient_id sex aetiology\n" + "\n".join(
        f"P{i} female congenital" for i in range(1, count + 1)
    )


def case(number: int, weeks: object, *, reached: int | None = None, seen: int = 300, **more) -> str:
    """A case operated on 1 January 2025 (or `offset` days later); days count from that day."""
    start = FIRST + pd.Timedelta(days=more.get("offset", 0))

    def day(days: int | None) -> str:
        return "-" if days is None else str((FIRST + pd.Timedelta(days=days)).date())

    return (
        f"C{number} P{more.get('patient', number)} {more.get('side', 'left')} "
        f"{more.get('segment', 'femur')} lengthening_nail {more.get('age', 20)} {start.date()} "
        f"{more.get('gain', 40)} {weeks} {day(reached)} {day(seen)} "
        f"{more.get('status', 'in_treatment')} {day(more.get('ended'))} {day(more.get('arrived'))}\n"
    )


def build(cohort_of, *cases: str, people: int = 9):
    return cohort_of("2025-12-31", cases=HEAD + "".join(cases), patients=patients(people))


def wilson(events: int, n: int) -> tuple[float, float]:
    z = 1.959963984540054
    middle = (events / n + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(events / n * (1 - events / n) / n + z * z / (4 * n * n))
    return middle - half, middle + half


def row(told: pd.DataFrame, band: str) -> pd.Series:
    return told.set_index("band").loc[band]


def test_share_by_the_promised_day_with_a_waiting_case(cohort_of):
    # Promise 10 weeks = day 70 for all. Reached on days 60, 70 (kept: the day counts) and 90;
    # one was last seen waiting on day 65.
    # Relative days -10 (4 at risk, event), -5 (censored), 0 (2 at risk, event), 20.
    # S(0) = 3/4 x 1/2 = 3/8, so the share is 5/8. S first falls to 1/2 or less at 0: median 0.
    told = calibration(
        build(
            cohort_of,
            case(1, 10, reached=60),
            case(2, 10, reached=70),
            case(3, 10, reached=90),
            case(4, 10, seen=65),
            case(5, "-", reached=80),
        )
    )
    for band in ("All promises", "under 12 weeks"):
        found = row(told, band)
        assert found["share"] == pytest.approx(5 / 8)
        assert (found["n"], found["reached"], found["not_reached"], found["unknown"]) == (
            4,
            2,
            1,
            1,
        )
        assert found["delay_days"] == 0
        assert found["low"] < 5 / 8 < found["high"]
    assert row(told, "All promises")["missing"] == 1
    assert "no promise recorded: 1" in row(told, "All promises")["note"]
    assert row(told, "under 12 weeks")["missing"] == 0


def test_log_log_limits_of_the_share(cohort_of):
    # Without censoring before the promise: 4 cases, 2 reached by then, S = 1/2. Greenwood:
    # var ln S = 1/(4 x 3) + 1/(3 x 2) = 1/4; log-log limits of S = S^exp(-+ z 0.5 / ln S)
    # (Kalbfleisch & Prentice 1980).
    told = calibration(
        build(cohort_of, *(case(i, 13, reached=d) for i, d in enumerate((80, 91, 92, 120), 1)))
    )
    found = row(told, "12 to 15 weeks")
    power = math.exp(1.959963984540054 * 0.5 / math.log(2))
    assert found["share"] == pytest.approx(0.5)
    assert found["low"] == pytest.approx(1 - 0.5 ** (1 / power))
    assert found["high"] == pytest.approx(1 - 0.5**power)


def test_bands_and_the_limits_of_nobody_and_everybody(cohort_of):
    # 11.5 weeks is under 12; 12 and 15.5 belong to 12 to 15; 16 and 19.9 to 16 to 19; 20 above.
    # 11.5 weeks = day 80.5: reached on day 80. 20 weeks = day 140: reached on day 150.
    told = calibration(
        build(
            cohort_of,
            case(1, 11.5, reached=80),
            case(2, 12, reached=84),
            case(3, 15.5, reached=108),
            case(4, 16, reached=113),
            case(5, 19.9, reached=150),
            case(6, 20, reached=150),
        )
    ).set_index("band")
    assert list(told["n"]) == [6, 1, 2, 2, 1]
    assert list(told["share"].iloc[1:]) == [1, 1, 0, 0]
    assert tuple(told.loc["12 to 15 weeks", ["low", "high"]]) == pytest.approx(wilson(2, 2))
    assert tuple(told.loc["16 to 19 weeks", ["low", "high"]]) == pytest.approx(wilson(0, 2))


def test_an_empty_band_and_an_unwatched_promise_are_not_estimable(cohort_of):
    # Day 70 was promised; the only case was last seen on day 50.
    told = calibration(build(cohort_of, case(1, 10, seen=50)))
    assert row(told, "under 12 weeks")[["share", "low", "high"]].isna().all()
    assert row(told, "under 12 weeks")["unknown"] == 1
    assert row(told, "20 or more weeks")["note"] == "no cases"
    # Arrived on day 80, after the promised day 70: nothing is known of the promise.
    told = calibration(build(cohort_of, case(1, 10, reached=95, arrived=80)))
    assert pd.isna(row(told, "under 12 weeks")["share"])
    assert "only after the promised day" in row(told, "under 12 weeks")["note"]


def test_late_entry_counts_from_arrival(cohort_of):
    # All promised day 70. Case 1 reached on day 40, when case 3 (arrived on day 50) was not yet
    # watched: at risk 2. Case 3 reached on day 60: at risk cases 2 and 3. S(70) = 1/2 x 1/2.
    told = calibration(
        build(
            cohort_of,
            case(1, 10, reached=40),
            case(2, 10, reached=100),
            case(3, 10, reached=60, arrived=50),
        )
    )
    assert row(told, "under 12 weeks")["share"] == pytest.approx(3 / 4)
    assert row(told, "under 12 weeks")["unknown"] == 1


def test_death_before_the_promise_is_a_promise_not_kept(cohort_of):
    # 2 of 3 reached by day 70, the third died on day 30: 2/3, not the 1 of a censored death.
    told = calibration(
        build(
            cohort_of,
            case(1, 10, reached=60),
            case(2, 10, reached=65),
            case(3, 10, seen=30, status="died", ended=30),
        )
    )
    found = row(told, "under 12 weeks")
    assert found["share"] == pytest.approx(2 / 3)
    assert "walking made impossible: 1" in found["note"]


def test_a_second_operation_moves_the_promise(cohort_of):
    # One episode: operations on days 0 and 20, both promised 10 weeks: days 70 and 90, the later
    # counts. Reached on day 85 for both: kept.
    cohort = build(
        cohort_of,
        case(1, 10, reached=85),
        case(2, 10, reached=85, patient=1, segment="tibia", offset=20, gain=50, age=21),
    )
    facts = episode_facts(cohort).iloc[0]
    assert (facts["promised_day"], facts["promised_weeks"]) == (90, 10)
    assert (facts["planned_gain_mm"], facts["gain_band"]) == (50, "45 to 59 mm")
    assert facts["age_band"] == "18 to 39 years"
    assert row(calibration(cohort), "under 12 weeks")["share"] == 1


def test_own_times_and_small_groups(cohort_of):
    # Five femora planned at 44.9 mm reached on days 50, 60, 70, 80, 90: S falls by a fifth each.
    # Quarter (S <= 0.75): second, 60; half: third, 70; three quarters (S <= 0.25): fourth, 80.
    # The sixth person's tibia is a group of one: number only.
    days = (50, 60, 70, 80, 90)
    cohort = build(
        cohort_of,
        *(case(i, 10, reached=d, gain=44.9, age=12) for i, d in enumerate(days, 1)),
        case(6, 10, reached=100, segment="tibia", gain=60, age=40),
        case(7, 10, segment="humerus"),
    )
    times = own_times(cohort)
    femur = times.loc[times["group"] == "femur"].iloc[0]
    assert (femur["q1"], femur["median"], femur["q3"]) == (60, 70, 80)
    assert (femur["people"], femur["events"]) == (5, 5)
    for group in ("tibia", "60 mm or more", "40 years or more"):
        small = times.loc[times["group"] == group].iloc[0]
        assert small["people"] == 1
        assert small["note"] == TOO_FEW
        assert small[["q1", "median", "q3", "events"]].isna().all()
    groups = set(times["group"])
    assert {"30 to 44 mm", "12 to 17 years"} <= groups
    assert "femur+lengthening_nail+30 to 44 mm+12 to 17 years" in groups
    assert times["people"].iloc[0] == 6  # nobody walks on the humerus


def test_demo_agrees_with_the_results_and_adds_up(demo_run):
    times = own_times(demo_run.cohort).iloc[0]
    results = demo_run.results
    same = results.loc[
        (results["measure"] == "time_to_full_weight_bearing")
        & (results["window"] == "all")
        & (results["group_by"] == "all")
    ].set_index("statistic")["value"]
    assert times["median"] == same["median_time"]
    assert times["q1"] == same["q1_time"]
    told = calibration(demo_run.cohort)
    assert told["n"].iloc[1:].sum() == told["n"].iloc[0]
    assert (told[["reached", "not_reached", "unknown"]].sum(axis=1) == told["n"]).all()
    assert ((told["low"] <= told["share"]) & (told["share"] <= told["high"])).all()


def test_pages_print_the_caution_beside(demo_run, capsys):
    from audit.pages.counsel import show_own_times, show_promises

    for show in (show_promises, show_own_times):
        show(demo_run)
        assert "not a forecast for one person" in capsys.readouterr().out
    table = promise_table(calibration(demo_run.cohort))
    assert "no promise recorded" in table.notes[-1]
