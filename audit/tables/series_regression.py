"""The regression of a series, with what it rests on or why it was refused."""

from __future__ import annotations

import pandas as pd

from audit import wording
from audit.estimates.estimate import Estimate
from audit.series.baseline_facts import fact, level_words
from audit.series.case_series import CaseSeries
from audit.series.regression import (
    ADJUSTED,
    COUNTED,
    NUMBER,
    SCALES,
    TIME,
    UNADJUSTED,
    SeriesRegression,
    series_regression,
)
from audit.tables.shown import ShownTable

NAME = "series_regression"
VARIABLE = "Known at surgery"
#: below so many patients robust errors tend to be too small (local choice)
FEW_PATIENTS = 10
CAUTION = (
    "An association in these cases, not an effect: devices were chosen for reasons that no "
    "register holds. The model was set in the plan; none was chosen for its result."
)


def series_regression_table(series: CaseSeries) -> ShownTable:
    """Each variable alone and adjusted for the others, with interval and P; or the reason why no
    model was fitted."""
    found = series_regression(series)
    if found is None:
        frame = pd.DataFrame({VARIABLE: ["none"], "Result": ["the plan sets no regression"]})
        return ShownTable(frame, NAME, "Regression", ("No model was fitted.",))
    lines = _lines(found)
    title = found.title[:1].lower() + found.title[1:]
    unit = f" ({found.unit})" if found.unit else ""
    caption = f"Facts known at surgery and {title}{unit}: {SCALES[found.kind]} (95% CI)"
    return ShownTable(pd.DataFrame(lines), NAME, caption, _notes(found), row_headings=2)


def _lines(found: SeriesRegression) -> list[dict[str, str]]:
    lines = []
    for variable, rows in found.rows.groupby("variable", sort=False):
        reference = rows["reference"].iloc[0]
        if reference:
            lines.append(_reference_line(str(variable), str(reference), rows, found))
        for code, pair in rows.groupby("code", sort=False):
            models = pair.set_index("model")
            line = _opening(str(variable), str(code), models.iloc[0], found)
            line["Alone (95% CI)"] = _value(models.loc[UNADJUSTED], found)
            line["Adjusted (95% CI)"] = _value(models.loc[ADJUSTED], found)
            line["P, adjusted"] = _p(models.loc[ADJUSTED])
            lines.append(line)
    return lines


def _opening(variable: str, code: str, row: pd.Series, found: SeriesRegression) -> dict[str, str]:
    about = fact(variable)
    if code:
        level = level_words(variable, code)
    elif about.unit:
        level = f"per {about.unit.removesuffix('s')}"
    else:
        level = "yes against no"
    line = {VARIABLE: about.title, "Level": level, "Cases": str(int(row["rows"]))}
    if found.kind != NUMBER:
        line["With the event" if found.kind == TIME else "Yes"] = str(int(row["events"]))
    return line


def _reference_line(
    variable: str, code: str, rows: pd.DataFrame, found: SeriesRegression
) -> dict[str, str]:
    others = rows.loc[rows["model"] == ADJUSTED]
    events = 0 if found.events is None else found.events - others["events"].sum()
    row = pd.Series({"rows": found.n - others["rows"].sum(), "events": events})
    line = _opening(variable, code, row, found)
    words = "reference" if found.fitted else ""
    return line | {"Alone (95% CI)": words, "Adjusted (95% CI)": words, "P, adjusted": ""}


def _value(row: pd.Series, found: SeriesRegression) -> str:
    if pd.isna(row["value"]):
        return wording.NOT_ESTIMABLE
    if found.kind == NUMBER:
        decimals = wording.decimals_from_spread(row["std_error"])
        value = wording.rounded(row["value"], decimals)
        return f"{value} ({wording.span(row['low'], row['high'], decimals)})"
    return wording.ratio_with_interval(
        Estimate(
            value=float(row["value"]),
            low=float(row["low"]),
            high=float(row["high"]),
            level=float(row["level"]),
            n=int(row["n"]),
            missing=int(row["missing"]),
            method=str(row["method"]),
            unit="ratio",
            note=str(row["note"]),
        )
    )


def _p(row: pd.Series) -> str:
    return "" if pd.isna(row["p"]) else wording.p_value(float(row["p"]))


def _notes(found: SeriesRegression) -> tuple[str, ...]:
    notes = []
    if found.note:
        notes.append(f"No adjusted model: {found.note}.")
    each = wording.rounded(found.per_variable, 1) if found.coefficients else "none"
    notes.append(
        f"{found.n} cases of {found.patients} patients; {found.counted} {COUNTED[found.kind]} for "
        f"{found.coefficients} coefficients, {each} each (the plan asks for {found.minimum} or "
        "more)."
    )
    notes.append(
        f"Complete records only: left out were {found.left_out['outcome']} cases without the "
        f"outcome and {found.left_out['covariates']} without a variable of the model. Each "
        "variable alone is taken on the same cases."
    )
    if found.dropped:
        names = ", ".join(fact(name).title.lower() for name in found.dropped)
        notes.append(f"One value only, so not in the model: {names}.")
    if found.fitted:
        notes += _method_notes(found)
    notes.append("CI: confidence interval; P: two-sided.")
    return tuple(notes)


def _method_notes(found: SeriesRegression) -> list[str]:
    adjusted = found.rows.loc[found.rows["model"] == ADJUSTED].iloc[0]
    method = str(adjusted["method"])
    method = method[:1].upper() + method[1:]
    notes = [f"{method}; errors allow for several cases of a patient.", CAUTION]
    if found.kind == TIME:
        notes.insert(
            1,
            "A hazard ratio above 1 means reaching it sooner. Cases still waiting are kept in. "
            f"Score test that the ratios are steady over time, all together: P "
            f"{_equals(found.check)}; where they are not, a ratio is an average over the course.",
        )
    if found.patients < FEW_PATIENTS:
        notes.append(f"Only {found.patients} patients: the limits tend to be too narrow.")
    return notes


def _equals(p: float | None) -> str:
    if p is None:
        return wording.NOT_ESTIMABLE
    text = wording.p_value(p)
    return text if text[0] in "<>" else f"= {text}"
