"""Gaps between rare events, and when a chart of counts misleads."""

from __future__ import annotations

import pandas as pd
import pytest

from audit.estimates.rare_events import cases_between, counted_chart_fits, days_between


@pytest.mark.parametrize(
    ("counts", "reason"),
    [
        ([6, 5, 4, 7], ""),
        ([3, 3, None, 3], "3.0 events a period"),
        ([0, 0, 0, 40], "more than half of the periods"),
        ([None], "no period has a count"),
    ],
)
def test_counted_chart_fits(counts, reason):
    found = counted_chart_fits(counts)
    assert reason in found and bool(found) == bool(reason)


def test_cases_between_events():
    # no YES no no YES YES no: two cases, then none, between events; one since the last.
    found = cases_between(["no", "yes", "no", "no", "yes", None, "yes", "no"])
    assert found.gaps.tolist() == [2, 0]
    assert (found.open_gap, found.missing) == (1, 1)


def test_no_event_has_no_gap():
    found = cases_between([0, 0, 0])
    assert found.gaps.tolist() == [] and found.open_gap is None


def test_days_between_events_in_any_order():
    found = days_between(["2026-03-01", None, "2026-01-01", "2026-01-01"], cutoff="2026-03-31")
    assert found.gaps.tolist() == [0, 59]
    assert (found.open_gap, found.missing) == (30, 1)


def test_days_between_without_a_date():
    found = days_between(pd.Series([None, None], dtype="object"), cutoff="2026-03-31")
    assert found.gaps.tolist() == [] and found.open_gap is None and found.missing == 2


def test_event_after_the_cutoff_is_refused():
    with pytest.raises(ValueError, match="after the cut-off"):
        days_between(["2026-04-01"], cutoff="2026-03-31")


def test_dates_that_are_no_dates_are_not_repeated():
    with pytest.raises(ValueError, match="ISO text") as caught:
        days_between(["03/04/2026"], cutoff="2026-05-01")
    assert "03/04" not in str(caught.value)
