"""The one regression that the plan set beforehand: fitted where the data carry it, else refused.

A time to an event has a Cox model, a number least squares, a yes/no measure logistic regression;
errors allow for several cases of a patient. Below the plan's events (cases, for a number) per
coefficient nothing is fitted: Peduzzi et al. 1995, J Clin Epidemiol 48:1503-1510 (times) and 1996,
49:1373-1379 (yes/no) on ten per variable; for a number the same limit is the plan's own choice.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
import pandas as pd

from audit.estimates.clustered_regression import INTERCEPT, clustered_regression
from audit.estimates.estimate import LEVEL
from audit.estimates.proportional_hazards import SCORE_TEST, proportional_hazards_check
from audit.estimates.regression import cox_model
from audit.results.catalogue import BY_NAME, NOT_APPLICABLE, TIMES
from audit.results.times import time_table
from audit.series.baseline_facts import CATEGORY, baseline_facts, fact, kind_of
from audit.series.case_series import CaseSeries

TIME, NUMBER, YES_NO = "time", "number", "yes_no"
ADJUSTED, UNADJUSTED = "adjusted", "unadjusted"
SCALES = {TIME: "hazard ratio", NUMBER: "difference", YES_NO: "odds ratio"}
COUNTED = {TIME: "events", NUMBER: "cases", YES_NO: "cases with the rarer answer"}
ROW_COLUMNS = [
    "model",
    "variable",
    "code",
    "reference",
    "rows",
    "events",
    "n",
    "missing",
    "value",
    "low",
    "high",
    "std_error",
    "p",
    "level",
    "method",
    "note",
]


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class SeriesRegression:
    """What came of the plan's regression.

    kind: time, number or yes_no. rows: one row a model (adjusted; each variable alone on the same
    cases), variable and level (`ROW_COLUMNS`); code and reference name levels of a category; value
    is a hazard ratio, difference or odds ratio; all missing where refused. n, patients, events:
    cases used, their patients, those with the event or yes (None for a number). missing: cases of
    the outcome left out, and in `left_out` why. counted: what the limit counts; per_variable: of
    them a coefficient. dropped: covariates with one value only in the cases used. note: why there
    is no adjusted model, or "". check: p of the score test that all hazard ratios are steady over
    time (times only).
    """

    outcome: str
    title: str
    unit: str
    kind: str
    rows: pd.DataFrame
    n: int
    patients: int
    events: int | None
    missing: int
    left_out: dict[str, int]
    coefficients: int
    counted: int
    minimum: int
    dropped: tuple[str, ...]
    note: str
    check: float | None

    @property
    def per_variable(self) -> float:
        """Events (cases, for a number) for each coefficient."""
        return self.counted / self.coefficients if self.coefficients else float("nan")

    @property
    def fitted(self) -> bool:
        """True when the adjusted model could be fitted."""
        return not self.note


def series_regression(series: CaseSeries) -> SeriesRegression | None:
    """The regression of the plan; None when the plan has none.

    Complete records only. A category is compared with its most frequent level. Raises ValueError
    for a covariate that is not known at surgery or an outcome that is no measure of a case.
    """
    asked = series.plan.regression
    if not asked.outcome:
        return None
    kind = _kind(asked.outcome)
    table = _outcome_rows(series, asked.outcome, kind)
    facts = baseline_facts(series, asked.covariates).set_axis(series.cases["case_id"])
    table = table.join(facts.add_prefix(_FACT), on="case_id")
    known = table["usable"]
    complete = known & table[[_FACT + name for name in asked.covariates]].notna().all(axis=1)
    used = table.loc[complete].reset_index(drop=True)
    varying = [name for name in asked.covariates if used[_FACT + name].nunique() > 1]
    terms = _terms(used, varying)
    data = pd.concat([used, _design(used, terms)], axis=1)
    counted = _counted(used, kind)
    reason = _refusal(counted, len(terms), asked.minimum_per_variable, kind)
    fits = _fits(data, terms, kind, reason)
    title, unit = _about(asked.outcome)
    return SeriesRegression(
        outcome=asked.outcome,
        title=title,
        unit=unit,
        kind=kind,
        rows=_rows(data, terms, fits, kind).assign(missing=len(table) - len(used)),
        n=len(used),
        patients=used["patient_id"].nunique(),
        events=None if kind == NUMBER else int(used["answer"].sum()),
        missing=len(table) - len(used),
        left_out={
            "outcome": int((~known).sum()),
            "covariates": int((known & ~complete).sum()),
        },
        coefficients=len(terms),
        counted=counted,
        minimum=asked.minimum_per_variable,
        dropped=tuple(name for name in asked.covariates if name not in varying),
        note="" if fits[ADJUSTED].estimable else fits[ADJUSTED].note,
        check=fits[ADJUSTED].check,
    )


_FACT = "fact_"


@dataclasses.dataclass(frozen=True)
class _Term:
    """A column of the design: a number or yes/no fact, or one level of a category."""

    column: str
    variable: str
    code: str = ""
    reference: str = ""


def _kind(outcome: str) -> str:
    if outcome in TIMES and TIMES[outcome][2] == "case":
        return TIME
    if outcome in BY_NAME:
        return YES_NO if BY_NAME[outcome].kind == "yes_no" else NUMBER
    listed = [*BY_NAME, *(name for name, about in TIMES.items() if about[2] == "case")]
    raise ValueError(f"outcome must be one of {', '.join(listed)}; got {outcome!r}")


def _about(outcome: str) -> tuple[str, str]:
    if outcome in TIMES:
        return TIMES[outcome][:2]
    return BY_NAME[outcome].title, BY_NAME[outcome].unit


def _outcome_rows(series: CaseSeries, outcome: str, kind: str) -> pd.DataFrame:
    """One row a case to which the outcome applies: case_id, patient_id, usable, answer, and for a
    time duration and entry."""
    if kind == TIME:
        table = time_table(series.run.cohort, outcome)
        table = table.loc[~table["reason"].isin(NOT_APPLICABLE)].reset_index(drop=True)
        usable = table["reason"].isna() & table["duration"].notna()
        entry = table["entry"].fillna(0.0)
        # With late entry the fitting library takes no row that ends on the day it enters.
        usable &= (table["duration"] > 0) | ~(entry > 0).any()
        return table[["case_id", "patient_id", "duration"]].assign(
            usable=usable, answer=table["observed"].astype(float), entry=entry
        )
    measured = series.run.measured
    reason = f"{outcome}_reason"
    if reason in measured:
        measured = measured.loc[~measured[reason].isin(NOT_APPLICABLE)]
    answer = measured[outcome].astype("Float64").astype(float)
    keys = measured[["case_id", "patient_id"]]
    return keys.assign(usable=answer.notna(), answer=answer).reset_index(drop=True)


def _terms(used: pd.DataFrame, covariates: Sequence[str]) -> list[_Term]:
    terms = []
    for name in covariates:
        if kind_of(name) != CATEGORY:
            terms.append(_Term(name, name))
            continue
        counts = used[_FACT + name].value_counts()
        listed = [code for code in fact(name).codes if code in counts.index]
        levels = [*listed, *sorted(set(counts.index) - set(listed))]
        reference = max(levels, key=lambda code: counts[code])
        terms += [
            _Term(f"{name}={level}", name, level, reference)
            for level in levels
            if level != reference
        ]
    return terms


def _design(used: pd.DataFrame, terms: list[_Term]) -> pd.DataFrame:
    columns = {
        term.column: (used[_FACT + term.variable] == term.code)
        if term.code
        else used[_FACT + term.variable]
        for term in terms
    }
    return pd.DataFrame(columns, index=used.index).astype(float)


def _counted(used: pd.DataFrame, kind: str) -> int:
    if kind == NUMBER:
        return len(used)
    yes = int(used["answer"].sum())
    return yes if kind == TIME else min(yes, len(used) - yes)


def _refusal(counted: int, coefficients: int, minimum: int, kind: str) -> str:
    if coefficients == 0:
        return "no covariate has more than one value in the cases used"
    if counted >= minimum * coefficients:
        return ""
    return (
        f"{counted} {COUNTED[kind]} for {coefficients} coefficients "
        f"({counted / coefficients:.1f} each): the plan asks for {minimum} or more, so no model "
        "was fitted"
    )


@dataclasses.dataclass(frozen=True, eq=False)
class _Fit:
    """Numbers of a model by column of the design (empty: none), and what is said of it."""

    numbers: pd.DataFrame
    method: str
    note: str
    level: float = LEVEL
    check: float | None = None

    @property
    def estimable(self) -> bool:
        return not self.numbers.empty


def _fits(data: pd.DataFrame, terms: list[_Term], kind: str, reason: str) -> dict[str, _Fit]:
    """`ADJUSTED` and every variable alone -> its fit."""
    variables = dict.fromkeys(term.variable for term in terms)
    sets = {ADJUSTED: [term.column for term in terms]} | {
        name: [term.column for term in terms if term.variable == name] for name in variables
    }
    if reason:
        return dict.fromkeys(sets, _Fit(pd.DataFrame(), "", reason))
    fitter = _cox if kind == TIME else _clustered
    return {name: fitter(data, columns, kind) for name, columns in sets.items()}


def _cox(data: pd.DataFrame, columns: list[str], kind: str) -> _Fit:
    model = cox_model(
        data.assign(answer=data["answer"].astype(bool)),
        duration="duration",
        event="answer",
        covariates=columns,
        cluster="patient_id",
        entry="entry" if (data["entry"] > 0).any() else None,
    )
    if not model.estimable:
        return _Fit(pd.DataFrame(), model.method, model.note, model.level)
    found = proportional_hazards_check(model)
    tests = found.loc[found["formula"] == SCORE_TEST].set_index("covariate")["p"]
    numbers = model.table.rename(columns={"hazard_ratio": "value"}).set_index("covariate")
    return _Fit(numbers, model.method, model.note, model.level, float(tests["all together"]))


def _clustered(data: pd.DataFrame, columns: list[str], kind: str) -> _Fit:
    model = clustered_regression(
        data,
        outcome="answer",
        covariates=columns,
        cluster="patient_id",
        kind="linear" if kind == NUMBER else "logistic",
    )
    if not model.estimable:
        return _Fit(pd.DataFrame(), model.method, model.note, model.level)
    numbers = model.table.set_index("covariate").drop(index=INTERCEPT)
    return _Fit(numbers, model.method, model.note, model.level)


def _rows(data: pd.DataFrame, terms: list[_Term], fits: dict[str, _Fit], kind: str) -> pd.DataFrame:
    rows = []
    for term in terms:
        level = data[term.column] == 1 if term.code else pd.Series(True, index=data.index)
        for model, fit in ((ADJUSTED, fits[ADJUSTED]), (UNADJUSTED, fits[term.variable])):
            row: dict[str, object] = {
                "model": model,
                "variable": term.variable,
                "code": term.code,
                "reference": term.reference,
                "rows": int(level.sum()),
                "events": np.nan if kind == NUMBER else float(data.loc[level, "answer"].sum()),
                "n": len(data),
                "level": fit.level,
                "method": fit.method,
                "note": fit.note,
            }
            if fit.estimable:
                names = ["value", "low", "high", "std_error", "p"]
                row |= fit.numbers.loc[term.column, names].to_dict()
            rows.append(row)
    return pd.DataFrame(rows, columns=ROW_COLUMNS)
