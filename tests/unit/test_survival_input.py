"""The input gate for times: what passes, what is refused, what is counted as missing."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from audit.estimates.time_input import codes_of, read_times


@pytest.mark.parametrize(
    "observed",
    [
        [1, 0, 1],
        [1.0, 0.0, 1.0],
        [True, False, True],
        np.array([True, False, True]),
        pd.Series([1, 0, 1], dtype="Int64"),
        pd.Series([True, False, True], dtype="boolean"),
        pd.Series([True, False, True], dtype=object),
    ],
)
def test_event_marks_of_every_kind(observed):
    data = read_times([5, 6, 7], observed)
    assert data.event.tolist() == [True, False, True]
    assert data.event.dtype == bool


@pytest.mark.parametrize(
    "durations",
    [
        [5, 6, 7],
        (5.0, 6.0, 7.0),
        pd.Series([5, 6, 7], dtype="Int64"),
        pd.Series([5, 6, 7], dtype="Float64"),
        pd.Series([5, 6.0, 7], dtype=object),
        pd.Index([5, 6, 7]),
    ],
)
def test_durations_of_every_kind(durations):
    assert read_times(durations, [1, 0, 1]).time.tolist() == [5, 6, 7]


def test_a_row_is_missing_only_when_duration_and_event_are_both_empty():
    data = read_times([5, None, 7, np.nan], pd.Series([1, None, 0, None], dtype="Int64"))
    assert (data.time.tolist(), data.missing, data.kept.tolist()) == ([5, 7], 2, [0, 2])
    assert data.take(np.array(["a", "b", "c", "d"])).tolist() == ["a", "c"]


@pytest.mark.parametrize(
    ("durations", "observed", "entry", "match"),
    [
        ([5, np.nan], [1, 0], None, "event mark without a duration"),
        ([5, 6], [1, None], None, "duration without an event mark"),
        ([5, np.inf], [1, 0], None, "finite"),
        ([5, -6], [1, 0], None, "0 or more"),
        ([5, 6], [1, 2], None, "only True/False or 1/0"),
        ([5, 6], [1, 0.5], None, "only True/False or 1/0"),
        ([5, 6], ["1", "0"], None, "observed must be numbers"),
        (["5", "6"], [1, 0], None, "durations must be numbers"),
        (pd.to_timedelta([5, 6], unit="D"), [1, 0], None, "durations must be numbers"),
        ([True, False], [1, 0], None, "not True/False"),
        (pd.Series([True, 5], dtype=object), [1, 0], None, "durations must be numbers"),
        ([5, 6, 7], [1, 0], None, "equally long"),
        (5, [1], None, "column of values"),
        ("56", [1, 0], None, "column of values"),
        (np.ones((2, 2)), [1, 0], None, "one dimension"),
        ([5, 6], None, None, "observed must be given"),
        ([5, 6], [1, 0], [5, 0], "before the duration"),
        ([5, 6], [1, 0], [6, 0], "before the duration"),
        ([5, 6], [1, 0], [-1, 0], "0 or more"),
        ([5, 6], [1, 0], [np.nan, 0], "for every row"),
        ([5, 6], [1, 0], [0], "equally long"),
    ],
)
def test_what_is_refused(durations, observed, entry, match):
    with pytest.raises(ValueError, match=match):
        read_times(durations, observed, entry)


def test_no_message_repeats_a_value():
    """The values are those of patients."""
    for durations, observed in (([7431, -7431], [1, 0]), ([7431, 5], [1, 7431])):
        with pytest.raises(ValueError, match="must") as caught:
            read_times(durations, observed)
        assert "7431" not in str(caught.value)


def test_labels_decide_whether_columns_belong_together():
    time, event = pd.Series([1, 2], index=[4, 5]), pd.Series([1, 0], index=[4, 5])
    assert read_times(time, event).event.tolist() == [True, False]
    with pytest.raises(ValueError, match=r"to_numpy"):
        read_times(time, event.reset_index(drop=True))
    assert read_times(time, [1, 0]).time.tolist() == [1, 2]


def test_float_noise_is_merged_and_whole_times_are_left_alone():
    assert read_times([0.3, 0.1 + 0.2], [1, 1]).time.tolist() == [0.3, 0.3]
    assert read_times([1e9, 2e9], [1, 1]).time.tolist() == [1e9, 2e9]


def test_entry_is_rounded_like_the_durations():
    with pytest.raises(ValueError, match="before the duration"):
        read_times([0.3], [1], [0.1 + 0.2])


@pytest.mark.parametrize(
    ("labels", "codes", "found"),
    [
        (["b", "a", "b"], [1, 0, 1], ["a", "b"]),
        (np.array([7, 3, 7]), [1, 0, 1], [3, 7]),
        (np.array([10**12, -5]), [1, 0], [-5, 10**12]),
        (np.array([True, False]), [1, 0], [False, True]),
        (pd.Series(["y", "x"], dtype="category"), [1, 0], ["x", "y"]),
        (pd.Series([2, 1], dtype="Int64"), [1, 0], [1, 2]),
        (["b", 1], [1, 0], [1, "b"]),
        ([], [], []),
    ],
)
def test_labels_are_coded_in_sorted_order(labels, codes, found):
    mine, values = codes_of(labels, name="group")
    assert mine.tolist() == codes
    assert values == found


@pytest.mark.parametrize(
    "labels", [["a", None], pd.Series([1, None], dtype="Int64"), [1.0, np.nan]]
)
def test_an_empty_label_is_refused(labels):
    with pytest.raises(ValueError, match="group has empty labels"):
        codes_of(labels, name="group")
