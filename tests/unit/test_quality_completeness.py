"""Completeness over what can be expected by now; counts worked by hand from `quality_cohort`.

Completeness per item over the cases in whom it could be expected, and for a key set: the way a
national bowel cancer audit defines it (checked text: standards 1.5, item 3, source D4). When an item
can be expected is common practice, no published source. Intervals: statsmodels.
"""

from __future__ import annotations

import pandas as pd
import pytest
from statsmodels.stats.proportion import proportion_confint

from audit.quality.choices import DEFAULTS, QualityChoices
from audit.quality.completeness import KEY_SETS, complete_cases
from audit.quality.trend import key_items
from schemas import TABLES
from schemas.expected import STATES
from schemas.fields import column
from tests.unit.quality_cohort import CASES, CUTOFF, FILMS, MOTION, PATIENTS, parts
from tests.unit.quality_cohort import TABLES as SIX

#: item -> (expected, complete, invalid, missing); the cases are named in `quality_cohort`
BY_HAND = {
    "side": (6, 5, 0, 1),
    "nail_approach": (3, 2, 0, 1),  # C1 C6, not C4
    "physes_open": (2, 2, 0, 0),  # C2 C4 are under 18
    "device_stroke_mm": (2, 0, 0, 2),  # C1 C4 have a lengthening nail, the column is not there
    "counselled_full_weight_bearing_weeks": (5, 0, 0, 5),  # all but the arm
    "distraction_start_date": (4, 4, 0, 0),  # C3 at 21 days and C6 lost at 19 days may have none
    "distraction_end_date": (4, 3, 0, 1),  # C2 is treated for over 180 days
    "achieved_gain_mm": (3, 2, 0, 1),
    "final_gain_mm": (3, 3, 0, 0),
    "union_date": (3, 2, 1, 0),  # C4 cannot be read
    "full_weight_bearing_date": (3, 2, 0, 1),
    "fixator_removal_date": (1, 0, 0, 1),
    "outcome_date": (4, 3, 0, 1),
    "outcome_status": (6, 6, 0, 0),
    "last_follow_up_date": (6, 6, 0, 0),
    "recent_contact": (2, 1, 0, 1),  # C2: 107 days
    "baseline_knee": (4, 2, 0, 2),  # C6 was taken over; C4 was examined on the day of surgery
    "knee_after_surgery": (4, 2, 0, 2),
    "films_in_distraction": (4, 1, 0, 3),  # C2's film has no length, C5's came after distraction
    "loads_after_surgery": (0, 0, 0, 0),  # no such table
    "extension_deficit_deg": (4, 3, 0, 1),
    "gain_mm": (3, 2, 0, 1),
    "cortices_bridged": (1, 0, 0, 1),  # only C5's film lies between end of distraction and union
    "sex": (6, 4, 1, 1),
    "aetiology": (6, 4, 1, 1),
}


def complete(cohort, choices=DEFAULTS):
    names = (
        "items",
        "completeness",
        "missing",
        "key_sets",
        "optional",
        "rows",
        "contacts",
        "stale",
    )
    return parts(cohort, *names, choices=choices)


@pytest.fixture
def six(cohort_of):
    return complete(cohort_of(CUTOFF, **SIX))


def line(quality, item):
    table = quality.completeness
    return table.loc[table["item"] == item].iloc[0]


@pytest.mark.parametrize("item", BY_HAND)
def test_counts_worked_by_hand(six, item):
    found = line(six, item)
    assert tuple(found[["expected", "complete", "invalid", "missing"]]) == BY_HAND[item]


def test_every_item_is_worked_by_hand_or_required_of_every_row(six):
    others = set(six.completeness["item"]) - set(BY_HAND)
    assert six.completeness.set_index("item").loc[
        ["segment", "device_class", "age_at_surgery_years", "planned_gain_mm", "flexion_deg"], "value"
    ].eq(1).all()  # fmt: skip
    rest = six.completeness.loc[six.completeness["item"].isin(others)]
    rest = rest.loc[rest["expected"] == 0]
    assert rest["note"].str.startswith("the source has no table").all()


@pytest.mark.parametrize("item", [item for item, counts in BY_HAND.items() if counts[0]])
def test_share_and_wilson_interval(six, item):
    expected, complete, *_ = BY_HAND[item]
    found = line(six, item)
    low, high = proportion_confint(complete, expected, method="wilson")
    assert found["value"] == pytest.approx(complete / expected)
    assert found["low"] == pytest.approx(low, abs=1e-12)
    assert found["high"] == pytest.approx(high, abs=1e-12)
    assert "Wilson" in found["method"]


def test_key_set_counts_cases_that_have_all_that_can_be_expected(six):
    core = six.key_sets.set_index("key_set").loc["Core: main measures can be formed"]
    # complete: C1, C5, and C3 of whom little can be expected yet
    assert (core["cases"], core["complete_cases"]) == (6, 3)
    assert (core["low"], core["high"]) == pytest.approx(proportion_confint(3, 6, method="wilson"))
    items = KEY_SETS["Core: main measures can be formed"]
    assert core["expected"] == sum(BY_HAND.get(item, (6,))[0] for item in items)
    knee = six.key_sets.set_index("key_set").loc["Knee"]
    assert (knee["cases"], knee["complete_cases"]) == (4, 1)  # C1 only


def test_a_set_of_which_nothing_can_be_expected_has_no_share(cohort_of):
    quality = complete(cohort_of(CUTOFF, patients=PATIENTS, cases=CASES))
    knee = quality.key_sets.set_index("key_set").loc["Knee"]
    assert knee["cases"] == 0
    assert pd.isna(knee["value"])
    assert knee["note"] == "the source has no table joint_motion"


def test_what_is_missing_is_listed_case_by_case(six):
    lacking = six.missing.loc[six.missing["item"] == "fixator_removal_date"].iloc[0]
    assert (lacking["table"], lacking["case_id"], lacking["row"]) == ("cases", "C5", 6)
    baseline = six.missing.loc[six.missing["item"] == "baseline_knee"]
    assert set(baseline["case_id"]) == {"C2", "C5"}
    assert set(baseline["row"]) == {""}  # a fact that has no row yet
    union = six.missing.loc[six.missing["item"] == "union_date"].iloc[0]
    assert (union["case_id"], union["state"]) == ("C4", "invalid")
    counts = six.completeness[["invalid", "missing"]].to_numpy().sum()
    assert len(six.missing) == counts


def test_optional_columns_are_listed_apart(six):
    optional = six.optional.set_index("item")
    assert not set(optional.index) & set(six.completeness["item"])
    assert tuple(optional.loc["arrival_date", ["rows", "filled"]]) == (6, 1)


def test_nothing_is_asked_for_that_came_after_the_cut_off(cohort_of):
    """C1 at 2025-03-01: distraction over, the rest not yet; C4's last film and outcome later."""
    quality = complete(cohort_of("2025-03-01", **SIX))
    assert tuple(line(quality, "union_date")[["expected", "missing"]]) == (0, 0)
    assert tuple(line(quality, "achieved_gain_mm")[["expected", "complete"]]) == (1, 1)
    # last follow-up of C1, C2 and C4 came later: wound back, not forgotten; C5 likewise
    assert line(quality, "last_follow_up_date")["expected"] == 0
    assert "P6" not in set(quality.missing["case_id"])
    assert set(quality.missing.loc[quality.missing["table"] == "cases", "case_id"]) <= {
        "C1", "C2", "C4", "C5",
    }  # fmt: skip


def test_final_gain_of_a_completed_case_waits_for_its_last_film(cohort_of):
    films = FILMS + "C1      2025-12-15 39\n"
    early = complete(cohort_of("2025-11-30", **{**SIX, "radiographs": films}))
    # C1 is completed by then, but its last film is not taken: only C4 can have a final gain
    assert tuple(line(early, "final_gain_mm")[["expected", "complete"]]) == (1, 1)


def test_contact_that_cannot_be_told_is_no_gap(cohort_of):
    """At the end of July C1, C2, C4 and C5 are in treatment and were all followed up later. Only C1
    left a trace in the 90 days before (full weight bearing on 20 May); C5's film is 91 days old."""
    quality = complete(cohort_of("2025-07-31", **SIX))
    assert tuple(line(quality, "recent_contact")[["expected", "complete"]]) == (1, 1)
    stale = quality.contacts["in treatment, not seen for over 90 days"]
    assert (stale.value, stale.n, stale.missing) == (0, 1, 3)
    assert quality.stale.empty


def test_settings_move_what_can_be_expected(cohort_of):
    cohort = cohort_of(CUTOFF, **SIX)
    quality = complete(cohort, choices=QualityChoices(contact_days=120))
    assert tuple(line(quality, "recent_contact")[["expected", "complete"]]) == (2, 2)


def test_rows_kept_out_are_no_gap(cohort_of):
    twice = MOTION + "C1      2025-09-01  knee  135         0\n"
    quality = complete(cohort_of(CUTOFF, **{**SIX, "joint_motion": twice}))
    assert line(quality, "extension_deficit_deg")["expected"] == 4
    rows = quality.rows.set_index("table").loc["joint_motion"]
    assert (rows["read"], rows["used"], rows["kept_out"]) == (5, 4, 1)


def test_states_are_a_closed_list_that_every_column_uses():
    used = {one.metadata["expected"] for table in TABLES.values() for one in table.columns.values()}
    assert used <= set(STATES)
    assert set(STATES) <= used  # none stands there for nothing
    for state in STATES.values():
        assert state.words
        assert state.source or state.name in ("always", "optional")
    with pytest.raises(ValueError, match="always, optional, nails"):
        column("text", "x", "x.", expected="some day")


def test_key_sets_name_items_that_exist(six):
    assert set(key_items()) <= set(six.items.columns)
    assert complete_cases(six.items, ("baseline_knee",)).isna().sum() == 2  # C3 and C6
