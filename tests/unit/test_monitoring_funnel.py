"""Funnels: exact limits, what is printed above them, and when they are refused.

Limits: quantiles of the exact binomial (for a target of 0.10, tabulated and summed again in
`test_reference_charts`). Policy and checks: Verburg et al. 2018, Stat Methods Med Res.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from audit.monitoring import funnel as monitoring_funnel
from audit.monitoring.funnel import FunnelChoices, funnel_for
from audit.monitoring.funnel_checks import Steadiness, funnel_checks
from audit.monitoring.settings import MonitoringSettings
from audit.tables import monitoring as tables
from tests.unit.monitoring_service import (
    MEAN,
    MISSED,
    RATE,
    by_quarter,
    case,
    cohort,
    criterion,
    yes_no_answers,
)

RARE = criterion(target=0.10, direction="at_most")
DRAWN_ANYWAY = FunnelChoices(override_reason="a test of limits")


@pytest.fixture
def funnel_of(monkeypatch):
    """The funnel of units with (yes, n) each, all cases in one quarter."""

    def build(units: dict[str, tuple[int, int]], *, asked=RARE, choices=DRAWN_ANYWAY):
        parts = []
        for name, counts in units.items():
            rows = yes_no_answers([counts]).rows
            parts.append(rows.assign(unit_id=name + rows["unit_id"], unit=name))
        rows = pd.concat(parts, ignore_index=True)
        answers = dataclasses.replace(yes_no_answers([(1, 1)]), rows=rows)
        monkeypatch.setattr(monitoring_funnel, "answers_for", lambda *_: answers)
        monkeypatch.setattr(monitoring_funnel, "_with_unit", lambda cohort, answers, by: answers)
        queries = pd.DataFrame({"case_id": ["aC0001", "aC0001", "elsewhere"]})
        stand = dataclasses.make_dataclass("Stand", ["queries", "cutoff"])(queries, None)
        return funnel_for(stand, None, asked, quarter=pd.Period("2021Q1"), choices=choices)

    return build


# (0.1 %, 2.5 %, 97.5 %, 99.9 %) quantiles of the count for a target of 0.10
QUANTILES = {
    5: (0, 0, 2, 3),
    10: (0, 0, 3, 5),
    20: (0, 0, 5, 7),
    40: (0, 1, 8, 11),
    80: (1, 3, 14, 17),
}


@pytest.mark.parametrize("size", QUANTILES)
def test_limits_are_exact_quantiles(funnel_of, size):
    found = funnel_of({"a": (0, size), "b": (1, 30)})
    rows = found.limits.table.loc[found.limits.table["size"] == size].set_index("level")
    counts = [
        rows.loc[0.998, "low"],
        rows.loc[0.95, "low"],
        rows.loc[0.95, "high"],
        rows.loc[0.998, "high"],
    ]
    assert [round(share * size, 9) for share in counts] == list(QUANTILES[size])


@pytest.mark.parametrize("size", QUANTILES)
def test_a_unit_is_flagged_only_beyond_the_quantile(funnel_of, size):
    _, _, alert, alarm = QUANTILES[size]
    for yes, words in (
        (alert, ""),
        (alert + 1, "above the 95.0% limit"),
        (alarm + 1, "above the 99.8% limit"),
    ):
        flags = funnel_of({"a": (yes, size), "b": (9, 90)}).positions.table.set_index("unit")[
            "flag"
        ]
        assert flags["a"].startswith(words) if words else flags["a"] == ""
        assert flags["b"] == ""


def test_all_of_a_few_cases_is_no_alarm(funnel_of):
    # 10 of 10 where 90 % are expected happens in 0.9 ** 10 = 35 of 100 units.
    flags = funnel_of({"a": (10, 10), "b": (27, 30)}, asked=criterion(target=0.9)).positions.table
    assert flags["flag"].tolist() == ["", ""]


def test_units_stand_by_size_and_show_the_queries_on_their_cases(funnel_of):
    found = funnel_of({"a": (20, 40), "b": (0, 10), "c": (1, 25)})
    assert found.positions.table["unit"].tolist() == ["b", "c", "a"]
    assert found.positions.table["queries"].tolist() == [0, 0, 2]
    table = tables.funnel_unit_table(found)
    assert table.frame["Cases"].tolist() == ["10", "25", "40"]
    assert "this is no ranking" in table.notes[0]
    assert "check the data first, then the care" in table.frame["Outside a limit"].iloc[-1]


def test_policy_is_printed_with_target_limits_and_case_mix(funnel_of):
    policy = dict(funnel_of({"a": (1, 20), "b": (2, 20)}).policy)
    assert list(policy) == [
        "Measure", "Target", "Limits", "Period", "Fewest cases", "Case mix", "Outside a limit",
    ]  # fmt: skip
    assert "fixed in the register" in policy["Target"]
    assert "95% (alert) and 99.8% (alarm)" in policy["Limits"]


# --- when there is none


@pytest.mark.parametrize(
    ("asked", "reason"),
    [
        (criterion(**MEAN), "a funnel is for shares only"),
        (criterion(**RATE), "a funnel is for shares only"),
        (criterion(target=1.0), "leaves no room for chance"),
    ],
)
def test_only_shares_with_room_for_chance(funnel_of, asked, reason):
    found = funnel_of({"a": (1, 20), "b": (2, 20)}, asked=asked)
    assert reason in found.refused
    assert found.limits is None and found.positions is None


def test_one_centre_is_refused_with_the_reason():
    found = funnel_for(*cohort([case(1, "2025-02-01")], "2025-03-31"), criterion())
    assert found.refused == "1 centre with cases: a funnel compares units"
    assert tables.funnel_unit_table(found).notes == (f"No funnel: {found.refused}.",)
    checks = {check.name: check.state for check in found.checks}
    assert checks["Every unit steady over time"] == "not done"


def two_centres(north: list[tuple[int, int]], south: list[tuple[int, int]]) -> list[dict]:
    others = by_quarter(south, centre="south")
    for number, one in enumerate(others, start=501):
        one |= {"case_id": f"C{number}", "patient_id": f"P{number}"}
    return by_quarter(north) + others


STEADY = [(5, 6), (3, 6)] * 7
FALLING = [(5, 6), (3, 6)] * 6 + [(0, 6), (0, 6)]


def test_a_unit_whose_own_run_chart_signals_stops_the_funnel():
    built = cohort(two_centres(STEADY, FALLING), "2024-06-30")
    found = funnel_for(*built, criterion())
    assert found.refused.startswith("the run chart of south signals")
    assert {check.name: check.state for check in found.checks}[
        "Every unit steady over time"
    ] == "fail"
    overridden = funnel_for(
        *built, criterion(), choices=FunnelChoices(override_reason="asked by the board")
    )
    assert overridden.refused == ""
    assert "drawn although south signals: asked by the board" in overridden.notes


def test_steady_units_are_compared():
    found = funnel_for(*cohort(two_centres(STEADY, STEADY), "2024-06-30"), criterion())
    assert found.refused == ""
    assert {check.name: check.state for check in found.checks}[
        "Every unit steady over time"
    ] == "pass"
    # twelve quarters of 8 met of 12 in two
    assert found.positions.table["events"].tolist() == [48, 48]
    assert found.positions.table["size"].tolist() == [72, 72]


def test_cases_without_centre_or_answer_are_counted():
    rows = two_centres([(3, 4)], [(3, 4)])
    rows[0]["centre"] = None
    rows[1]["achieved_gain_mm"] = None
    found = funnel_for(*cohort(rows, "2021-06-30"), criterion())
    assert found.notes == ("without a unit, left out: 1", "due, but not known, left out: 1")


# --- by surgeon only by decision


def test_persons_are_not_compared_unless_it_is_switched_on_with_a_reason():
    assert FunnelChoices().by == "centre"
    for reason in ("", "  "):
        with pytest.raises(ValueError, match="a funnel by surgeon needs a recorded reason"):
            FunnelChoices(by="surgeon", surgeon_reason=reason)
    with pytest.raises(ValueError, match=r"by must be one of .*'team'"):
        FunnelChoices(by="team")


def test_the_recorded_reason_is_printed():
    rows = [case(i, "2025-02-01", surgeon="S1" if i % 3 else "S2") for i in range(1, 31)]
    choices = FunnelChoices(by="surgeon", surgeon_reason="asked for by both surgeons")
    found = funnel_for(*cohort(rows, "2025-03-31"), criterion(), choices=choices)
    assert found.positions.table["unit"].tolist() == ["S2", "S1"]
    assert found.notes == ("persons are compared, by decision: asked for by both surgeons",)


# --- the checks


def states(units: pd.DataFrame, steady: Steadiness | None = None) -> dict[str, str]:
    checks = funnel_checks(RARE, units, steady or Steadiness(), minimum=10)
    return {check.name: check.state for check in checks}


def units_of(shares: list[float], sizes: list[int]) -> pd.DataFrame:
    events = np.round(np.array(shares) * sizes)
    return pd.DataFrame({"unit": list("abcdefghij")[: len(sizes)], "events": events, "size": sizes})


def test_two_units_cannot_show_spread_or_a_link():
    found = states(units_of([0.1, 0.2], [40, 40]))
    assert found == {
        "Policy stated before looking": "pass",
        "Case mix": "not done",
        "Enough cases in every unit": "pass",
        "Overdispersion": "not done",
        "Link with the size of the unit": "not done",
        "Construction": "pass",
        "Every unit steady over time": "pass",
    }


def test_spread_beyond_chance_and_a_link_with_size_fail():
    sizes = [50, 60, 70, 80, 90, 100, 110, 120]
    even = states(units_of([0.10, 0.12, 0.09, 0.1, 0.11, 0.09, 0.1, 0.1], sizes))
    assert (even["Overdispersion"], even["Link with the size of the unit"]) == ("pass", "pass")
    rising = states(units_of([0.02, 0.04, 0.06, 0.08, 0.12, 0.16, 0.2, 0.25], sizes))
    assert (rising["Overdispersion"], rising["Link with the size of the unit"]) == ("fail", "fail")


def test_small_units_and_signals_fail_and_untested_units_are_said():
    units = units_of([0.1, 0.2], [40, 9])
    assert states(units)["Enough cases in every unit"] == "fail"
    assert states(units, Steadiness(unsteady=("a",)))["Every unit steady over time"] == "fail"
    assert states(units, Steadiness(untested=("b",)))["Every unit steady over time"] == "not done"


def test_fewest_cases_is_a_setting():
    choices = FunnelChoices(settings=MonitoringSettings(minimum_cases=3))
    rows = two_centres([(3, 4)], [(3, 4)])
    rows += [case(900, "2021-02-01", MISSED)]
    found = funnel_for(*cohort(rows, "2021-06-30"), criterion(), choices=choices)
    assert dict(found.policy)["Fewest cases"] == "3 a centre"
    assert {c.name: c.state for c in found.checks}["Enough cases in every unit"] == "pass"
