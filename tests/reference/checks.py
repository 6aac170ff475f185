"""Reference checks for the estimators: data, expected values, tolerances and their sources.

The file `data/stats_checks.json` holds data sets (columns; null = missing, "inf" = unbounded) and
checks computed with R 4.2.2 and its packages, some with the value that was printed in a paper.
A value passes if |value - expected| <= max(abs, rel * |expected|); expected null means None.

Use in a test module of this folder:

    from tests.reference.checks import assert_close, every_check

    @every_check("proportion_ci")
    def test_wilson(check):
        assert_close(mine, check.expected["wilson"], check.tolerance)
"""

from __future__ import annotations

import dataclasses
import functools
import json
import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

DATA = Path(__file__).parent / "data" / "stats_checks.json"


@dataclasses.dataclass(frozen=True)
class Check:
    """One reference check: `data` as in the file, `expected` values and where they come from."""

    id: str
    method: str
    data: Mapping[str, Any]
    params: Mapping[str, Any]
    expected: Mapping[str, Any]
    tolerance: Mapping[str, float]
    source: str
    note: str
    published: tuple[Mapping[str, Any], ...]

    def table(self) -> pd.DataFrame:
        """The check's data set as a new table, with the check's own filter applied."""
        return dataset(self.data["dataset"], where=self.data.get("filter"))


def dataset(name: str, *, where: Mapping[str, Any] | None = None) -> pd.DataFrame:
    """A data set as a new table: null becomes missing, "inf" becomes infinity; rows `where`."""
    stored = _stored()["datasets"]
    if name not in stored:
        raise KeyError(f"no data set {name!r}; there are {sorted(stored)}")
    columns = stored[name]["columns"]
    table = pd.DataFrame(
        {key: [_number(item) for item in column] for key, column in columns.items()}
    )
    for column, wanted in (where or {}).items():
        table = table[table[column] == wanted]
    return table.reset_index(drop=True)


def load_check(check_id: str) -> Check:
    """The check with this id."""
    for check in _all_checks():
        if check.id == check_id:
            return check
    raise KeyError(f"no check {check_id!r}; there are {[check.id for check in _all_checks()]}")


def checks_of(method: str) -> list[Check]:
    """Every check of a method, in the order of the file; an unknown method raises KeyError."""
    found = [check for check in _all_checks() if check.method == method]
    if not found:
        raise KeyError(f"no check of {method!r}; there are {methods()}")
    return found


def methods() -> list[str]:
    """The names of all methods that have checks."""
    return sorted({check.method for check in _all_checks()})


def every_check(method: str) -> Callable[..., Any]:
    """Decorator: runs the test once for every check of a method, as its argument `check`."""
    cases = [pytest.param(check, id=check.id) for check in checks_of(method)]
    return pytest.mark.parametrize("check", cases)


def published_values(method: str) -> Callable[..., Any]:
    """Decorator: runs the test for every published value of a method: `check`, `published`."""
    cases = [
        pytest.param(check, printed, id=f"{check.id}-{printed['path']}")
        for check in checks_of(method)
        for printed in check.published
    ]
    return pytest.mark.parametrize(("check", "published"), cases)


def assert_close(
    value: Any, expected: Any, tolerance: Mapping[str, float], *, where: str = "value"
) -> None:
    """Fails unless |value - expected| <= max(abs, rel * |expected|), item by item.

    Lists and dictionaries are compared item by item (a dictionary on the expected keys); expected
    None accepts None only, so pass the columns of a table through `as_items`.
    """
    if isinstance(expected, Mapping):
        for key, item in expected.items():
            assert_close(value[key], item, tolerance, where=f"{where}.{key}")
    elif _is_list(expected):
        items = as_items(value)
        assert len(items) == len(expected), f"{where}: {len(items)} items, not {len(expected)}"
        for position, (item, wanted) in enumerate(zip(items, expected, strict=True)):
            assert_close(item, wanted, tolerance, where=f"{where}[{position}]")
    elif expected is None:
        assert value is None, f"{where}: {value!r}, expected None (not estimable)"
    else:
        _assert_scalar(value, _number(expected), tolerance, where)


def assert_printed(value: Any, published: Mapping[str, Any]) -> None:
    """Fails unless `value` rounds to the printed value, to within half a unit of its last digit."""
    half_unit = 0.5 * 10.0 ** -published["decimals"]
    assert_close(
        value, published["value"], {"abs": half_unit * (1 + 1e-6)}, where=published["path"]
    )


def as_items(values: Any) -> list[Any]:
    """A column, array or list as a plain list in which every missing value is None."""
    return [None if _is_missing(item) else item for item in list(values)]


def at_path(tree: Mapping[str, Any], path: str) -> Any:
    """The item at a dotted path, as in a published value: at_path(expected, "a.b")."""
    return functools.reduce(lambda branch, key: branch[key], path.split("."), tree)


def _assert_scalar(value: Any, wanted: Any, tolerance: Mapping[str, float], where: str) -> None:
    if isinstance(wanted, str | bool):
        assert value == wanted, f"{where}: {value!r}, expected {wanted!r}"
        return
    assert value is not None, f"{where}: None, expected {wanted!r}"
    if math.isinf(wanted):
        assert value == wanted, f"{where}: {value!r}, expected {wanted!r}"
        return
    allowed = max(tolerance.get("abs") or 0.0, (tolerance.get("rel") or 0.0) * abs(wanted))
    difference = abs(value - wanted)
    # Written so that a NaN, which compares false with everything, fails.
    assert difference <= allowed, f"{where}: {value!r}, expected {wanted!r} within {allowed:.3g}"


def _is_list(item: Any) -> bool:
    return isinstance(item, Sequence | np.ndarray | pd.Series) and not isinstance(item, str)


def _is_missing(item: Any) -> bool:
    return item is None or item is pd.NA or (isinstance(item, float) and math.isnan(item))


def _number(item: Any) -> Any:
    return {"inf": math.inf, "-inf": -math.inf}.get(item, item) if isinstance(item, str) else item


@functools.cache
def _stored() -> dict[str, Any]:
    return json.loads(DATA.read_text(encoding="utf-8"))


@functools.cache
def _all_checks() -> tuple[Check, ...]:
    return tuple(
        Check(
            id=item["id"],
            method=item["method"],
            data=item["data"],
            params=item["params"] or {},
            expected=item["expected"],
            tolerance=item["tolerance"],
            source=item["source"],
            note=item["note"] or "",
            published=tuple(item.get("published") or ()),
        )
        for item in _stored()["checks"]
    )
