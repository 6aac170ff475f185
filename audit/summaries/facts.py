"""What the summary tables are made from: only what the allow-list lets through, without any id.

People are numbers that are made anew in every run and never leave. Codes, ages and centres come out
as they may be shown. Everything else is left behind and counted.
"""

from __future__ import annotations

import dataclasses
import itertools
import re
from collections.abc import Mapping

import numpy as np
import pandas as pd

from audit.measures.limbs import limb_knee_measures
from audit.results.groups import Window, windows_for
from audit.run import AuditRun
from audit.summaries.choices import PERIODS, SummaryChoices
from schemas import TABLES, vocabulary
from schemas.leaving import LEAVING, NEVER, NOT_RECORDED

#: a code of a centre that can be shown: no blanks, no signs
_CENTRE = re.compile(r"[A-Za-z0-9_-]{1,20}")
LEFT_BEHIND = ["table", "column", "how", "rows"]
NOT_IN_CONTRACT = "not in the contract"


@dataclasses.dataclass(frozen=True, eq=False)
class Facts:
    """The facts of a run in a window of operations.

    cases: one row a case operated in the window: person, device_class, segment, age_band,
    coarser age in `coarser_age_band`, outcome_status, centre, sex, aetiology, and every measure
    with its reason. limbs: the same for limbs (person, device_class, knee flexion kept). Codes that
    are missing are `not_recorded`. people: patient id -> number; centres: codes that may be shown,
    in order, none where there is only one or one does not look like a code. place, period, words:
    where and when, in words ("2026 Q3", "operations in 2026 Q3").
    """

    run: AuditRun
    window: Window
    choices: SummaryChoices
    cases: pd.DataFrame
    limbs: pd.DataFrame
    people: Mapping[str, str]
    centres: tuple[str, ...]
    place: str
    period: str
    words: str


def facts_of(run: AuditRun, period: str, choices: SummaryChoices) -> Facts:
    """The facts of the operations in a period. ValueError for a period not in the list."""
    window = window_of(run, period)
    cohort, measured = run.cohort, run.measured
    ids = sorted(cohort.cases["patient_id"].unique())
    # as texts of one length, so that they sort like the ids and resampling draws the same people
    people = {one: f"{number:06d}" for number, one in enumerate(ids)}
    inside = measured.loc[window.holds(measured["surgery_date"])]
    age = inside["case_id"].map(cohort.cases.set_index("case_id")["age_at_surgery_years"])
    patients = cohort.tables["patients"].set_index("patient_id")
    given = {name: inside["patient_id"].map(patients[name]) for name in ("sex", "aetiology")}
    cases = _without_ids(inside, people).assign(
        age_band=age_bands(age, choices.age_bands),
        coarser_age_band=age_bands(age, choices.coarser_age_bands),
        **{name: _known(codes, name) for name, codes in given.items()},
    )
    limbs = limb_knee_measures(cohort)
    limbs = limbs.loc[window.holds(limbs["surgery_date"])]
    return Facts(
        run=run,
        window=window,
        choices=choices,
        cases=cases.reset_index(drop=True),
        limbs=_without_ids(limbs, people).reset_index(drop=True),
        people=people,
        centres=_centres(run),
        place=place_of(run),
        period=_period(run, period),
        words=_words(run, period),
    )


def window_of(run: AuditRun, period: str) -> Window:
    """The window of a run's quarter that a period names."""
    if period not in PERIODS:
        raise ValueError(f"period must be one of {', '.join(PERIODS)}; got {period!r}")
    windows = {window.name.split(":")[0]: window for window in windows_for(run.quarter)}
    return windows[period]


def age_bands(age: pd.Series, starts: tuple[int, ...]) -> pd.Series:
    """The band of each age in years ("0-9", "90 or over"); `not_recorded` where there is none."""
    names = band_names(starts)
    place = np.searchsorted(np.array(starts), age.to_numpy(dtype=float), side="right") - 1
    words = [names[max(0, at)] for at in place]
    return pd.Series(words, index=age.index, dtype=object).where(age.notna(), NOT_RECORDED)


def band_names(starts: tuple[int, ...]) -> list[str]:
    """The names of the age bands, in order."""
    closed = [f"{a}-{b - 1}" for a, b in itertools.pairwise(starts)]
    return [*closed, f"{starts[-1]} or over"]


def coarser_bands(choices: SummaryChoices) -> dict[str, str]:
    """Age band -> coarser age band."""
    names = band_names(choices.age_bands)
    first = pd.Series([float(start) for start in choices.age_bands])
    coarse = age_bands(first, choices.coarser_age_bands)
    return dict(zip(names, coarse, strict=True)) | {NOT_RECORDED: NOT_RECORDED}


def numbered(ids: pd.Series, people: Mapping[str, str]) -> pd.Series:
    """The number of each patient."""
    return ids.map(people)


def _without_ids(rows: pd.DataFrame, people: Mapping[str, str]) -> pd.DataFrame:
    """`person` for the patient, closed codes, and the numbers; no id, day or text."""
    codes = {
        name: _known(rows[name], name)
        for name in ("device_class", "segment", "outcome_status")
        if name in rows
    }
    contract = TABLES["cases"].columns
    numbers = [
        name
        for name in rows
        if name not in contract
        and (pd.api.types.is_numeric_dtype(rows[name]) or str(name).endswith("_reason"))
    ]
    shown = {"person": numbered(rows["patient_id"], people), "centre": rows["centre"]}
    return pd.concat([pd.DataFrame(shown | codes, index=rows.index), rows[numbers]], axis=1)


def _known(codes: pd.Series, name: str) -> pd.Series:
    """Codes of the list (and `mixed`, of what has several); anything else is `not_recorded`."""
    known = codes.isin([*vocabulary.codes(name), "mixed"])
    return codes.astype(object).where(known, NOT_RECORDED)


def _centres(run: AuditRun) -> tuple[str, ...]:
    codes = sorted(run.cohort.cases["centre"].dropna().unique())
    asked = run.cohort.queries
    named = (asked["rule"] == "code_may_name_person") & (asked["column"] == "centre")
    if len(codes) < 2 or named.any() or not all(_CENTRE.fullmatch(code) for code in codes):
        return ()
    return tuple(codes)


def place_of(run: AuditRun) -> str:
    """The service, or the one centre that a run is about, in words."""
    code = run.cohort.centre
    if code is None:
        return "limb-lengthening service"
    return f"centre {code}" if _CENTRE.fullmatch(code) else "one centre"


def _period(run: AuditRun, period: str) -> str:
    def shown(quarter: pd.Period) -> str:
        return f"{quarter.year} Q{quarter.quarter}"

    if period == "all":
        return "all time"
    last = shown(run.quarter)
    return last if period == "quarter" else f"{shown(run.quarter - 3)} to {last}"


def _words(run: AuditRun, period: str) -> str:
    if period == "all":
        return "all operations up to the cut-off"
    return f"operations in {_period(run, period)}"


def left_behind(run: AuditRun) -> pd.DataFrame:
    """What of the source never leaves: `LEFT_BEHIND`, one row a column, with how many rows hold it.

    Columns that are in no contract are counted in one row a table and not named: a heading can hold
    anything. Tables that the source does not have are left out.
    """
    held = run.tables.frames if run.tables is not None else run.cohort.tables
    rows = []
    for table, columns in LEAVING.items():
        if table not in run.cohort.given:
            continue
        for column, how in columns.items():
            if how == NEVER:
                rows.append((table, column, how, int(held[table][column].notna().sum())))
        unknown = [name for name in held[table] if name not in columns and name != "row"]
        if unknown:
            cells = held[table][unknown]
            filled = int((cells.notna() & (cells != "")).any(axis=1).sum())
            rows.append((table, f"{len(unknown)} {NOT_IN_CONTRACT}", NEVER, filled))
    return pd.DataFrame(rows, columns=LEFT_BEHIND)
