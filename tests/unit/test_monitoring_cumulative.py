"""Misses case by case: the sum by hand, the CUSUM of the reference file, and its run lengths.

Weights and path: Steiner et al. 2000, Biostatistics 1:441 (reference check computed with R). Run
lengths are held to straightforward simulation, another route to the same number.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from audit.estimates.cumulative_runs import (
    STEP,
    bernoulli_cusum_arl,
    changed_risk,
    decision_for,
)
from audit.monitoring.cumulative import cumulative_for
from audit.monitoring.settings import MonitoringSettings
from tests.reference.checks import assert_close, load_check
from tests.unit.monitoring_service import MEAN, MISSED, case, cohort, criterion


def run_lengths(risk: float, ratio: float, decision: float, true: float) -> np.ndarray:
    """Cases to the signal in 2000 simulated series, one case after the other."""
    random = np.random.default_rng(20260101)
    event, none = (
        math.log(ratio / (1 - risk + ratio * risk)),
        math.log(1 / (1 - risk + ratio * risk)),
    )
    sums, lengths = np.zeros(2000), np.zeros(2000)
    running = np.ones(2000, dtype=bool)
    while running.any():
        steps = np.where(random.random(2000) < true, event, none)
        sums = np.where(running, np.maximum(0, sums + steps), sums)
        lengths += running
        running &= sums <= decision
    return lengths


CASES = [(0.05, 2, 2.0, 0.05), (0.05, 2, 2.0, 0.095), (0.1, 2, 2.5, 0.1), (0.2, 3, 3.0, 0.2)]


@pytest.mark.parametrize(("risk", "ratio", "decision", "true"), CASES)
def test_average_run_length_is_that_of_simulated_series(risk, ratio, decision, true):
    lengths = run_lengths(risk, ratio, decision, true)
    error = lengths.std(ddof=1) / math.sqrt(len(lengths))
    found = bernoulli_cusum_arl(risk=risk, odds_ratio=ratio, decision=decision, true_risk=true)
    assert abs(found - lengths.mean()) < 4 * error


def test_one_event_over_the_limit_signals_at_the_first_event():
    # A limit below the weight of one event: the wait for the first event, 1 / 0.1 cases.
    found = bernoulli_cusum_arl(risk=0.1, odds_ratio=2, decision=0.3, true_risk=0.1)
    assert found == pytest.approx(10, rel=1e-9)


def test_the_limit_is_the_smallest_that_gives_the_run_asked_for():
    chosen = decision_for(risk=0.05, odds_ratio=2, cases=250)
    assert chosen.on_target >= 250
    smaller = bernoulli_cusum_arl(
        risk=0.05, odds_ratio=2, decision=chosen.decision - STEP, true_risk=0.05
    )
    assert smaller < 250
    assert chosen.changed < chosen.on_target
    assert changed_risk(0.05, 2) == pytest.approx(2 / 21)  # odds 1/19 doubled: 2/19


@pytest.mark.parametrize(
    "bad", [{"risk": 0}, {"true_risk": 1}, {"odds_ratio": 1}, {"decision": 0}, {"odds_ratio": -2}]
)
def test_run_lengths_refuse_what_makes_no_sense(bad):
    given = {"risk": 0.1, "odds_ratio": 2, "decision": 2, "true_risk": 0.1} | bad
    with pytest.raises(
        ValueError, match=r"must lie between 0 and 1|must be above 0|above 0 and not 1"
    ):
        bernoulli_cusum_arl(**given)


def test_no_limit_gives_a_run_without_end():
    with pytest.raises(ValueError, match="no decision limit up to 12"):
        decision_for(risk=0.5, odds_ratio=2, cases=1e12)


def service(misses: list[int]) -> list[dict]:
    """Cases operated on successive days, 1 = missed."""
    return [
        case(number, f"2024-{1 + number // 28:02d}-{1 + number % 28:02d}", MISSED if miss else 40)
        for number, miss in enumerate(misses, start=1)
    ]


def test_path_and_excess_as_in_the_reference_file():
    check = load_check("cusum_bernoulli")
    events = [int(y) for y in check.table()["y"]]
    found = cumulative_for(*cohort(service(events), "2024-12-31"), criterion(target=0.9))
    assert check.params["p0"] == 0.1
    assert_close(found.table["path"].tolist(), check.expected["path"], check.tolerance)
    so_far = np.cumsum(events) - 0.1 * np.arange(1, len(events) + 1)
    np.testing.assert_allclose(found.table["excess"], so_far)


def test_the_same_misses_of_a_share_that_should_be_small():
    misses = [0, 0, 1, 0, 1, 1, 0]
    built = cohort(service([1 - miss for miss in misses]), "2024-12-31")
    found = cumulative_for(*built, criterion(target=0.1, direction="at_most"))
    assert found.table["miss"].tolist() == misses
    assert found.table["expected"].unique().tolist() == [0.1]


def test_order_is_by_surgery_and_only_due_and_known_cases_count():
    cases = [
        case(1, "2024-03-10"),
        case(2, "2024-02-01", MISSED),
        case(3, "2024-02-05", None),
        case(4, "2024-12-20"),
    ]
    asked = criterion(matures_after_days=30)
    found = cumulative_for(*cohort(cases, "2024-12-31"), asked)
    assert found.table["unit_id"].tolist() == ["C002", "C001"]
    assert "not yet due, left out: 1" in found.notes
    assert "due, but not known: 1" in found.notes


def test_many_misses_signal_in_words_and_few_do_not():
    quiet = cumulative_for(*cohort(service([0] * 20 + [1]), "2024-12-31"), criterion())
    assert quiet.found.answer == "no signal"
    assert quiet.found.reason == "1 miss in 21 cases, 2.1 allowed by the target"
    loud = cumulative_for(*cohort(service([0] * 5 + [1] * 8), "2024-12-31"), criterion())
    assert loud.found.answer == "signal"
    # Weight of a miss log(2 / 1.1) = 0.598: the sum passes 2.05 with the fourth, case 9.
    assert "beyond the limit from C009" in loud.found.reason
    assert "cause to be found" in loud.found.reason
    assert loud.table["signal"].tolist() == [False] * 8 + [True] * 5


def test_the_run_lengths_are_said():
    found = cumulative_for(*cohort(service([0, 1, 0]), "2024-12-31"), criterion(target=0.95))
    lengths = found.lengths
    assert f"once in about {lengths.on_target:.0f} cases" in found.run_length
    assert f"after about {lengths.changed:.0f} cases on average" in found.run_length
    assert "if 9.5% miss (odds times 2)" in found.run_length
    longer = MonitoringSettings(false_alarm_cases=1000)
    patient = cumulative_for(
        *cohort(service([0, 1, 0]), "2024-12-31"), criterion(target=0.95), settings=longer
    )
    assert patient.lengths.decision > lengths.decision


@pytest.mark.parametrize(
    ("asked", "reason"),
    [
        (criterion(**MEAN), "a sum of misses is for shares only"),
        (criterion(target=1.0), "a target of 1 leaves nothing to expect"),
        (criterion(measure="nothing"), "no measure is called nothing"),
        (criterion(device_class=("circular_fixator",)), "no case has an answer"),
    ],
)
def test_what_has_no_sum_says_why(asked, reason):
    found = cumulative_for(*cohort(service([0, 1]), "2024-12-31"), asked)
    assert found.table.empty
    assert (found.found.answer, found.found.reason) == ("cannot tell", reason)
