"""How often charts signal: seldom while nothing changes, and soon after the demo's worsening.

Stated rates: 3 sigma of a normal process 0.27 % of points; runs about the median counted out
exactly (every order of points above and below is equally likely); longest run and crossings as
Anhoej & Olesen 2014, PLoS ONE 9:e113825. The worsening is planted by the generator of the demo.
"""

from __future__ import annotations

import dataclasses
import itertools
import math

import numpy as np
import pandas as pd
import pytest

import audit
from audit.intake.register import read_criteria
from audit.measures import measure_cases
from audit.monitoring.lines import chart_of, with_lines
from audit.monitoring.plan import plan_for
from audit.monitoring.points import Points, span_to
from audit.monitoring.series import series_for
from audit.monitoring.settings import MonitoringSettings
from audit.monitoring.words import Seen, change_over_time
from demo_data.generator import TRUE
from tests.conftest import DEMO
from tests.unit.monitoring_service import MEAN, criterion

SPAN = span_to(pd.Period("2026Q4"), MonitoringSettings(window_quarters=20))


def expect(count: int, of: int, rate: float) -> None:
    """The count lies within 4 binomial standard errors of its expectation."""
    error = math.sqrt(of * rate * (1 - rate))
    assert abs(count - of * rate) < 4 * error + 0.5, f"{count} of {of}, expected {of * rate:.1f}"


def points_of(kind: str, value: np.ndarray, count: np.ndarray, n: float) -> Points:
    """Points spread evenly over the five years that end with the window."""
    ends = pd.date_range("2022-01-01", SPAN.last, periods=len(value) + 1)
    table = pd.DataFrame(
        {
            "point": [f"p{place}" for place in range(1, len(value) + 1)],
            "first_day": ends[:-1],
            "last_day": ends[1:],
            "count": count,
            "n": n,
            "value": value,
            "in_window": True,
        }
    )
    return Points(kind=kind, table=table)


def seen(points: Points, settings: MonitoringSettings) -> Seen:
    chart = chart_of(points, settings=settings)
    table = with_lines(points.table, chart, least=-np.inf)
    return Seen(points=table, chart=chart, recent=SPAN.recent)


def single_values(values: np.ndarray, settings: MonitoringSettings) -> Seen:
    return seen(points_of("individual", values, values, 1.0), settings)


def shares(random: np.random.Generator, chance: float, settings: MonitoringSettings) -> Seen:
    """Twenty quarters of eight cases."""
    counts = random.binomial(8, chance, 20).astype(float)
    return seen(points_of("proportion", counts / 8, counts, 8.0), settings)


# --- steady series


def share_of_orders_with_a_shift(points: int, longest: int, fewest: int) -> float:
    """Share of all orders of half the points above and half below with a long run or few crossings."""
    shifted = total = 0
    for above in itertools.combinations(range(points), points // 2):
        side = np.zeros(points, dtype=bool)
        side[list(above)] = True
        turns = np.flatnonzero(np.diff(side.astype(int)))
        runs = np.diff(np.r_[-1, turns, points - 1])
        shifted += runs.max() > longest or len(turns) < fewest
        total += 1
    return shifted / total


def test_limits_are_withheld_from_steady_values_as_often_as_counting_says():
    # 14 points: a run above round(log2 14) + 3 = 7 or crossings under qbinom(0.05, 13, 1/2) = 4.
    exact = share_of_orders_with_a_shift(14, 7, 4)
    assert 0.01 < exact < 0.08
    random = np.random.default_rng(20260401)
    settings = MonitoringSettings(window_quarters=20, fix_points=14)
    states = [
        single_values(random.normal(40, 8, 14), settings).chart.phases["limits"][0]
        for _ in range(300)
    ]
    expect(states.count("withheld"), 300, exact)


def test_points_of_a_steady_process_lie_outside_about_as_often_as_stated():
    # Limits from 200 points are nearly those of the process: 0.27 % outside. With limits from 30
    # points, as in a report, a little more, as those are themselves unsure.
    random = np.random.default_rng(20260402)
    later: dict[int, list[int]] = {200: [], 30: []}
    for fixed, found in later.items():
        settings = MonitoringSettings(window_quarters=20, fix_points=fixed, rules="national_4")
        for _ in range(60):
            found_now = single_values(random.normal(40, 8, fixed + 100), settings)
            outside = found_now.points["signal"].str.contains("outside a limit")
            found.append(int(outside.iloc[fixed:].sum()))
    expect(sum(later[200]), 6000, 0.0027)
    assert sum(later[200]) <= sum(later[30]) <= 6000 * 0.0027 * 4


VERDICTS = 250
ONE = np.ones(1)


@pytest.mark.parametrize("chance", [0.3, 0.75])
def test_steady_shares_are_seldom_called_better_or_worse(chance):
    random = np.random.default_rng(20260403)
    settings = MonitoringSettings(window_quarters=20)
    plan = plan_for(criterion(), points_of("proportion", ONE, ONE, 1.0), noun="case")
    answers = [
        change_over_time(shares(random, chance, settings), plan).answer for _ in range(VERDICTS)
    ]
    changed = sum(answer in ("improved", "worse") for answer in answers)
    assert changed <= 0.15 * VERDICTS  # the note under the table says about one chart in ten
    assert changed >= 0.02 * VERDICTS  # and it does happen, so the note is needed


#: steady single values: even, with a long tail upwards (times), with one downwards (accuracy)
SPREADS = {
    "even": lambda random: random.normal(40, 8, 80),
    "long times": lambda random: np.exp(random.normal(3, 0.35, 80)),
    "near the best": lambda random: 100 - np.minimum(40, random.exponential(5, 80)),
}


@pytest.mark.parametrize("spread", SPREADS)
def test_steady_single_values_are_seldom_called_better_or_worse(spread):
    random = np.random.default_rng(20260404)
    settings = MonitoringSettings(window_quarters=20)
    plan = plan_for(criterion(**MEAN), points_of("individual", ONE, ONE, 1.0), noun="case")
    answers = [
        change_over_time(single_values(SPREADS[spread](random), settings), plan).answer
        for _ in range(VERDICTS)
    ]
    changed = sum(answer in ("improved", "worse") for answer in answers)
    assert 0.02 * VERDICTS <= changed <= 0.15 * VERDICTS


def test_a_lasting_shift_of_two_sigmas_is_seen_nearly_always():
    random = np.random.default_rng(20260405)
    settings = MonitoringSettings(window_quarters=20)
    plan = plan_for(criterion(**MEAN), points_of("individual", ONE, ONE, 1.0), noun="case")
    steps = np.r_[np.zeros(60), np.full(20, 16.0)]
    answers = [
        change_over_time(single_values(random.normal(40, 8, 80) + steps, settings), plan).answer
        for _ in range(60)
    ]
    assert answers.count("worse") >= 55
    assert answers.count("improved") == 0


# --- the demo's worsening: pin-site events of circular fixators, surgery from 1 January 2026 on

CIRCULAR = {
    "id": "complications_circular_fixator",
    "words": "Circular fixators have at most 122 complications per 100 cases",
    "device_class": ("circular_fixator",),
    "target": 122.0,
}


@pytest.fixture(scope="module")
def wound_back():
    """(quarter -> series) of circular and nail complications, each as it stood at quarter's end."""
    nails = next(one for one in read_criteria() if one.id == "complications_nail")
    frames = dataclasses.replace(nails, **CIRCULAR)
    source = audit.read_source(DEMO)
    found = {}
    for quarter in pd.period_range("2025Q1", "2026Q3", freq="Q"):
        cohort = audit.build_cohort(source, quarter.end_time.normalize())
        measured = measure_cases(cohort)
        found[str(quarter)] = tuple(
            series_for(cohort, measured, one, quarter=quarter) for one in (frames, nails)
        )
    return found


def test_the_worsening_is_signalled_from_the_first_quarter_that_holds_it_and_not_before(wound_back):
    assert pd.Timestamp(TRUE.worse_from) == pd.Timestamp("2026-01-01")
    answers = {quarter: frames.change.answer for quarter, (frames, _) in wound_back.items()}
    assert {frames.plan.letter for frames, _ in wound_back.values()} == {"T"}
    # Cases of the first quarter have their events in the second: 4 in 2026Q1, 10 in 2026Q2.
    assert answers == {
        "2025Q1": "unchanged",
        "2025Q2": "unchanged",
        "2025Q3": "unchanged",
        "2025Q4": "unchanged",
        "2026Q1": "unchanged",
        "2026Q2": "worse",
        "2026Q3": "worse",
    }


def test_the_signal_names_the_points_after_the_worsening(wound_back):
    frames, _ = wound_back["2026Q2"]
    run = frames.points.loc[frames.points["signal"].str.contains("unusually long run")]
    assert (run["last_day"] >= pd.Timestamp(TRUE.worse_from)).all()
    assert (run["side"] == "below").all()
    assert frames.plan.wanted == "above"


def test_nails_do_not_worsen(wound_back):
    answers = {nails.change.answer for _, nails in wound_back.values()}
    assert answers == {"unchanged"}


def test_the_first_day_of_the_signal_is_within_five_months():
    """Month by month: how long the service would have waited for its chart to speak."""
    nails = next(one for one in read_criteria() if one.id == "complications_nail")
    frames = dataclasses.replace(nails, **CIRCULAR)
    source = audit.read_source(DEMO)
    first = None
    for day in pd.date_range("2026-01-31", "2026-08-31", freq="ME"):
        cohort = audit.build_cohort(source, day)
        # The quarter that is under way, as a monthly look would take it.
        series = series_for(cohort, measure_cases(cohort), frames, quarter=pd.Period(day, "Q"))
        if series.change.answer == "worse":
            first = day
            break
    assert first == pd.Timestamp("2026-05-31")
