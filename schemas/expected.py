"""When a value can be expected: a closed list of states, each with its words and its test.

A column names one state in its contract. What cannot be expected yet (a union date while the bone
is healing) is no gap in the data. States lean on what is recorded by the last day that may be
used, never on anything later.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import pandas as pd

from schemas.vocabulary import FIXATOR_CLASSES, NAIL_CLASSES, WALKING_SEGMENTS

COMMON = "common practice, no published source"
#: distraction begins 5 to 14 days after surgery; after so many days its first day is known
START_DAYS = 30
#: after so many days under treatment distraction is over, or its last day has been forgotten
END_DAYS = 180
ADULT_YEARS = 18
LEGS = ("femur", "tibia")

Holds = Callable[[pd.DataFrame, pd.Timestamp], pd.Series]


@dataclasses.dataclass(frozen=True, kw_only=True)
class State:
    """When a value can be expected.

    name: as in a column's contract. words: the rows it speaks of, to follow "expected in".
    source: where the choice comes from. holds: (rows of the table with the columns of their case,
    last day that may be used) -> True for rows in which the value can be expected by then.
    """

    name: str
    words: str
    holds: Holds
    source: str = COMMON


def last_day_in_treatment(rows: pd.DataFrame, day: pd.Timestamp) -> pd.Series:
    """The day up to which a case was treated here: the outcome date (else the last follow-up) once
    treatment has ended, `day` while it goes on; missing where the status is."""
    ended = rows["outcome_date"].fillna(rows["last_follow_up_date"])
    going_on = rows["outcome_status"].isin(["in_treatment"])
    known = rows["outcome_status"].notna()
    return ended.where(~going_on, day).where(known).astype("datetime64[ns]")


def treated_longer_than(rows: pd.DataFrame, days: int, day: pd.Timestamp) -> pd.Series:
    """True for cases treated for more than so many days from surgery."""
    spent = last_day_in_treatment(rows, day) - rows["surgery_date"]
    return spent > pd.Timedelta(days=days)


def _in(column: str, *codes: str) -> Holds:
    return lambda rows, day: rows[column].isin(codes)


def _known(column: str) -> Holds:
    return lambda rows, day: rows[column].notna()


def _both(one: Holds, two: Holds) -> Holds:
    return lambda rows, day: one(rows, day) & two(rows, day)


def _every(rows: pd.DataFrame, day: pd.Timestamp) -> pd.Series:
    return pd.Series(True, index=rows.index)


def _begun(rows: pd.DataFrame, day: pd.Timestamp) -> pd.Series:
    later = rows["distraction_end_date"].notna() | rows["union_date"].notna()
    return later | _completed(rows, day) | treated_longer_than(rows, START_DAYS, day)


def _over(rows: pd.DataFrame, day: pd.Timestamp) -> pd.Series:
    cut_short = rows["outcome_status"].isin(["stopped_early"])
    known = rows[["union_date", "achieved_gain_mm"]].notna().any(axis=1)
    late = treated_longer_than(rows, END_DAYS, day)
    stopped = cut_short & rows["distraction_start_date"].notna()
    return _completed(rows, day) | known | stopped | late


def _gain_known(rows: pd.DataFrame, day: pd.Timestamp) -> pd.Series:
    return rows["distraction_end_date"].notna() | _completed(rows, day)


def _film_while_healing(rows: pd.DataFrame, day: pd.Timestamp) -> pd.Series:
    healing = rows["taken_on"] >= rows["distraction_end_date"]
    return healing & ~(rows["taken_on"] > rows["union_date"])


def _closed_event(rows: pd.DataFrame, day: pd.Timestamp) -> pd.Series:
    return _completed(rows, day) & ~rows["permanent"].isin(["yes"])


_completed = _in("outcome_status", "completed")
_on_leg = _in("segment", *LEGS)

STATES: dict[str, State] = {
    state.name: state
    for state in (
        State(name="always", words="every row", holds=_every, source=""),
        State(
            name="optional",
            words="no row: welcome, never counted as a gap",
            holds=lambda rows, day: ~_every(rows, day),
            source="",
        ),
        State(
            name="nails",
            words="cases with a nail in the femur or tibia, alone or under a frame",
            holds=_both(_in("device_class", *NAIL_CLASSES), _on_leg),
        ),
        State(
            name="lengthening nails",
            words="cases with a lengthening nail, whose stroke is known at surgery",
            holds=_in("device_class", "lengthening_nail"),
        ),
        State(
            name="under 18 years",
            words=f"cases under {ADULT_YEARS} years at surgery",
            holds=lambda rows, day: rows["age_at_surgery_years"] < ADULT_YEARS,
        ),
        State(
            name="walking bones",
            words="cases on a bone that is walked on",
            holds=_in("segment", *WALKING_SEGMENTS),
        ),
        State(
            name="distraction begun",
            words=f"cases treated for over {START_DAYS} days, or in which distraction or healing "
            "is recorded as over",
            holds=_begun,
        ),
        State(
            name="distraction over",
            words="completed cases, cases with a union date or an achieved gain, cases stopped "
            f"early after distraction began, and cases treated for over {END_DAYS} days",
            holds=_over,
        ),
        State(
            name="after distraction",
            words="cases whose distraction has ended, and completed cases",
            holds=_gain_known,
            source="the gain is read on the film at the end of distraction: as the contract says",
        ),
        State(name="completed", words="completed cases", holds=_completed),
        State(
            name="completed with a fixator",
            words="completed cases that had a fixator",
            holds=_both(_completed, _in("device_class", *FIXATOR_CLASSES)),
        ),
        State(
            name="completed on a walking bone",
            words="completed cases on a bone that is walked on",
            holds=_both(_completed, _in("segment", *WALKING_SEGMENTS)),
        ),
        State(
            name="treatment ended",
            words="cases no longer in treatment, for whatever reason",
            holds=_both(
                _known("outcome_status"), lambda r, d: ~_in("outcome_status", "in_treatment")(r, d)
            ),
        ),
        State(
            name="films after surgery",
            words="films taken after the day of surgery",
            holds=lambda rows, day: rows["taken_on"] > rows["surgery_date"],
        ),
        State(
            name="films while healing",
            words="films from the end of distraction to union",
            holds=_film_while_healing,
        ),
        State(name="knee examinations", words="examinations of a knee", holds=_in("joint", "knee")),
        State(
            name="events of completed cases",
            words="events of completed cases, unless they left a lasting effect",
            holds=_closed_event,
        ),
        State(
            name="events that are over",
            words="events with the day they were over",
            holds=_known("resolved_on"),
        ),
        State(
            name="graded pin sites",
            words="events with a pin-site grade",
            holds=_known("pin_site_grade"),
            source="a grade means nothing without its scheme",
        ),
    )
}


def state(name: str) -> State:
    """The state of that name. ValueError names those there are."""
    if name not in STATES:
        raise ValueError(f"expected must be one of {', '.join(STATES)}; got {name!r}")
    return STATES[name]
