"""Intraclass correlation of several raters: the six forms, with their F intervals."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from audit.estimates.estimate import LEVEL, Estimate
from audit.estimates.inputs import Numbers, as_numbers, check_choice, check_level
from audit.estimates.particulars import Particulars

FORMS = ("ICC(1,1)", "ICC(2,1)", "ICC(3,1)", "ICC(1,k)", "ICC(2,k)", "ICC(3,k)")


def icc(ratings: Any, *, form: str = "ICC(2,1)", level: float = LEVEL) -> Estimate:
    """One intraclass correlation of a table with a row a subject and a column a rater.

    form, after Shrout and Fleiss 1979, Psychol Bull 86:420-428: first number 1 = raters differ
    from subject to subject, 2 = raters are a sample (absolute agreement), 3 = these raters only
    (consistency); second 1 = one rater's score, k = the mean of all. Subjects that lack a rating
    are missing. Fewer than two subjects or raters, or no variation: not estimable. Values below 0
    are kept. Raises ValueError for text or an unknown form.
    """
    check_choice(form, FORMS, name="form")
    table = icc_forms(ratings, level=level)
    row = table.to_dict("records")[FORMS.index(form)]
    about = Particulars(
        method=f"{form}, F interval", n=int(row["n"]), missing=int(row["missing"]), level=level
    )
    if np.isnan(row["value"]):
        return about.nothing(row["note"])
    low, high = (None if np.isnan(row[side]) else row[side] for side in ("low", "high"))
    return about.estimate(row["value"], low, high, note=row["note"])


def icc_forms(ratings: Any, *, level: float = LEVEL) -> pd.DataFrame:
    """All six forms: form, value, low, high, f, df1, df2, p_value, n, missing, note.

    See `icc`. f tests the absence of any difference between subjects. What cannot be estimated
    is missing, with the reason in `note`.
    """
    check_level(level)
    scores, missing = _complete_rows(ratings)
    n, k = scores.shape
    head = {"n": n, "missing": missing}
    if n < 2 or k < 2:
        return _empty_forms(head, "two subjects and two raters or more are needed")
    squares = _mean_squares(scores)
    if squares["total"] <= 1e-24 * float((scores**2).sum()):
        return _empty_forms(head, "the ratings do not vary")
    rows = [_form_row(form, squares, (n, k), level) | head for form in FORMS]
    return pd.DataFrame(rows)[[*_COLUMNS]]


_COLUMNS = (
    "form", "value", "low", "high", "f", "df1", "df2", "p_value", "n", "missing", "note",
)  # fmt: skip


def _complete_rows(ratings: Any) -> tuple[Numbers, int]:
    table = pd.DataFrame(ratings)
    columns = [as_numbers(table[name], name="ratings") for name in table.columns]
    scores = np.column_stack(columns) if columns else np.empty((len(table), 0))
    known = ~np.isnan(scores).any(axis=1)
    return scores[known], int(scores.shape[0] - known.sum())


def _empty_forms(head: dict[str, int], reason: str) -> pd.DataFrame:
    numbers = dict.fromkeys(_COLUMNS[1:8], np.nan)
    return pd.DataFrame([{"form": form, **numbers, **head, "note": reason} for form in FORMS])


def _mean_squares(scores: Numbers) -> dict[str, float]:
    """Two-way analysis of variance without repeats: subjects, raters, error; and within rows."""
    n, k = scores.shape
    grand = scores.mean()
    between = k * float(((scores.mean(axis=1) - grand) ** 2).sum())
    raters = n * float(((scores.mean(axis=0) - grand) ** 2).sum())
    total = float(((scores - grand) ** 2).sum())
    return {
        "subjects": between / (n - 1),
        "raters": raters / (k - 1),
        "error": max(total - between - raters, 0.0) / ((n - 1) * (k - 1)),
        "within": max(total - between, 0.0) / (n * (k - 1)),
        "total": total,
    }


def _form_row(
    form: str, squares: dict[str, float], size: tuple[int, int], level: float
) -> dict[str, Any]:
    n, k = size
    model, averaged = form[4], form.endswith("k)")
    noise = squares["within"] if model == "1" else squares["error"]
    df1, df2 = n - 1, n * (k - 1) if model == "1" else (n - 1) * (k - 1)
    row = {"form": form, "df1": df1, "df2": df2, "f": np.nan, "p_value": np.nan}
    single = _single(model, squares, size)
    if noise <= 1e-12 * squares["total"]:
        limits, note = (math.nan, math.nan), "no variation within subjects: no interval"
    else:
        f = squares["subjects"] / noise
        row |= {"f": f, "p_value": float(special.fdtrc(df1, df2, f))}
        limits, note = _LIMITS[model](squares, size, level), ""
    value, low, high = (_step_up(x, k) if averaged else x for x in (single, *limits))
    if math.isnan(value):
        low, high, note = math.nan, math.nan, "the subjects do not differ"
    elif not note and (math.isnan(low) or math.isnan(high)):
        low, high, note = math.nan, math.nan, "no interval: its formula breaks down here"
    return row | {"value": value, "low": low, "high": high, "note": note}


def _single(model: str, squares: dict[str, float], size: tuple[int, int]) -> float:
    n, k = size
    subjects, error, within = squares["subjects"], squares["error"], squares["within"]
    if model == "1":
        return _ratio(subjects - within, subjects + (k - 1) * within)
    if model == "3":
        return _ratio(subjects - error, subjects + (k - 1) * error)
    raters = k * (squares["raters"] - error) / n
    return _ratio(subjects - error, subjects + (k - 1) * error + raters)


def _step_up(single: float, k: int) -> float:
    """Spearman and Brown: the reliability of the mean of k raters from that of one."""
    return _ratio(k * single, 1 + (k - 1) * single)


def _ratio(top: float, bottom: float) -> float:
    """A quotient, missing where the divisor vanishes up to rounding."""
    return math.nan if abs(bottom) <= 1e-12 else top / bottom


def _f_limits(f: float, degrees: tuple[float, float], k: int, level: float) -> tuple[float, float]:
    df1, df2 = degrees
    tail = 0.5 + level / 2
    low = f / float(special.fdtri(df1, df2, tail))
    high = f * float(special.fdtri(df2, df1, tail))
    return _ratio(low - 1, low + k - 1), _ratio(high - 1, high + k - 1)


def _limits_one(
    squares: dict[str, float], size: tuple[int, int], level: float
) -> tuple[float, float]:
    n, k = size
    f = squares["subjects"] / squares["within"]
    return _f_limits(f, (n - 1, n * (k - 1)), k, level)


def _limits_three(
    squares: dict[str, float], size: tuple[int, int], level: float
) -> tuple[float, float]:
    n, k = size
    f = squares["subjects"] / squares["error"]
    return _f_limits(f, (n - 1, (n - 1) * (k - 1)), k, level)


def _limits_two(
    squares: dict[str, float], size: tuple[int, int], level: float
) -> tuple[float, float]:
    """Shrout and Fleiss 1979, p. 424: Satterthwaite degrees of freedom for the error term."""
    n, k = size
    subjects, raters, error = squares["subjects"], squares["raters"], squares["error"]
    rho, fj = _single("2", squares, size), raters / error
    top = k * rho * fj + n * (1 + (k - 1) * rho) - k * rho
    bottom = (n - 1) * (k * rho * fj) ** 2 + (n * (1 + (k - 1) * rho) - k * rho) ** 2
    v = _ratio((k - 1) * (n - 1) * top**2, bottom)
    tail = 0.5 + level / 2
    f3, f3_up = float(special.fdtri(n - 1, v, tail)), float(special.fdtri(v, n - 1, tail))
    spread = k * raters + (k * n - k - n) * error
    low = _ratio(n * (subjects - f3 * error), f3 * spread + n * subjects)
    high = _ratio(n * (f3_up * subjects - error), spread + n * f3_up * subjects)
    return low, high


_LIMITS: dict[str, Callable[..., tuple[float, float]]] = {
    "1": _limits_one,
    "2": _limits_two,
    "3": _limits_three,
}
