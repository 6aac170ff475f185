"""The one order of rows, held against Python's own sort of plain tuples."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from audit.intake.ordering import in_order, order_of

DAY = pd.Timestamp("2025-01-01")


def drawn(seed: int, n: int) -> pd.DataFrame:
    """Rows with many ties and many missing cells, of every dtype that a typed table has."""
    draw = np.random.default_rng(seed)
    texts = np.array(["C10", "C9", "c9", "\u00c9", "", None, np.nan], dtype=object)
    days = [pd.NaT, DAY, DAY + pd.Timedelta(hours=7), DAY - pd.Timedelta(days=400)]
    return pd.DataFrame(
        {
            "text": draw.choice(texts, n),
            "day": pd.Series(draw.choice(days, n)).astype("datetime64[ns]"),
            "number": draw.choice([np.nan, -1.5, 0.0, 2.0, 1e9], n),
            "row": np.arange(n),
        }
    )


def slow(frame: pd.DataFrame, names: list[str]) -> list[int]:
    """Row numbers by Python's stable sort, missing cells last."""

    def key(cells) -> tuple:
        return tuple((1, 0) if pd.isna(cell) else (0, cell) for cell in cells)

    rows = frame[names].itertuples(index=False, name=None)
    keyed = [(key(cells), number) for cells, number in zip(rows, frame["row"], strict=True)]
    return [number for _, number in sorted(keyed, key=lambda one: one[0])]


@pytest.mark.parametrize("seed", range(30))
def test_order_is_that_of_pythons_sort(seed):
    frame = drawn(seed, seed * 4)
    before = frame.copy()
    for names in (["text"], ["day", "text"], ["number", "day", "text"], ["text", "day", "number"]):
        found = in_order(frame, names)
        assert found["row"].tolist() == slow(frame, names)
        assert found.index.tolist() == list(range(len(frame)))
        # what is in order stays the same object
        assert in_order(found, names) is found
        assert order_of(found, names) is None
    pd.testing.assert_frame_equal(frame, before)


def test_other_text_dtypes_sort_alike():
    plain = pd.Series(["b", None, "B", "a"], dtype=object)
    for dtype in ("string", "category"):
        frame = pd.DataFrame({"x": plain.astype(dtype), "row": range(4)})
        assert in_order(frame, ["x"])["row"].tolist() == [2, 3, 0, 1]


def test_nothing_to_sort():
    empty = pd.DataFrame({"x": pd.Series(dtype=object)})
    assert in_order(empty, ["x"]) is empty
    one = pd.DataFrame({"x": ["a"], "y": [np.nan]})
    assert in_order(one, ["x", "y"]) is one
    assert in_order(one, []) is one
