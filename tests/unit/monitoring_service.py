"""A small invented service for the tests of charts over time, read by the kit like any source."""

from __future__ import annotations

import numpy as np
import pandas as pd

import audit
from audit.criteria import Criterion
from audit.measures import measure_cases
from audit.monitoring.cases import Answers

MET, MISSED = 40, 30  # mm gained of 40 planned, tolerance 5
DAY = pd.Timedelta(days=1)


def criterion(**changes) -> Criterion:
    """Gain within tolerance, at least 90 %, by the end of distraction; with changes."""
    given = {
        "id": "within",
        "words": "Lengthening ends within 5 mm of the plan",
        "measure": "gain_within_tolerance",
        "statistic": "proportion",
        "target": 0.9,
        "direction": "at_least",
        "source": "invented",
        "target_level": "local",
        "reason": "a test",
        "index_date": "distraction_end_date",
    }
    return Criterion(**given | changes)


RATE = {
    "id": "events",
    "words": "Few complications",
    "measure": "complications_per_100_cases",
    "statistic": "rate",
    "target": 50,
    "direction": "at_most",
    "index_date": "surgery_date",
}
MEAN = {
    "id": "healing",
    "words": "Heals soon",
    "measure": "healing_index_days_per_cm",
    "statistic": "mean",
    "target": 40,
    "direction": "at_most",
    "index_date": "union_date",
}
WALKING = {
    "id": "walking",
    "words": "Half walk by day 100",
    "measure": "time_to_full_weight_bearing",
    "statistic": "median_time",
    "target": 100,
    "direction": "at_most",
    "index_date": "surgery_date",
}


def case(number: int, end: str | pd.Timestamp, gain: float | None = MET, **changes) -> dict:
    """A femoral nail case whose distraction ends on a day, 50 days after surgery."""
    end = pd.Timestamp(end)
    given = {
        "case_id": f"C{number:03d}",
        "patient_id": f"P{number:03d}",
        "centre": "north",
        "side": "left",
        "segment": "femur",
        "device_class": "lengthening_nail",
        "age_at_surgery_years": 30,
        "surgery_date": (end - 50 * DAY).date(),
        "distraction_start_date": (end - 44 * DAY).date(),
        "distraction_end_date": end.date(),
        "planned_gain_mm": 40,
        "achieved_gain_mm": gain,
        "last_follow_up_date": (end + 10 * DAY).date(),
        "outcome_status": "in_treatment",
    }
    return given | changes


def by_quarter(counts: list[tuple[int, int]], *, first: str = "2021Q1", **changes) -> list[dict]:
    """Cases of successive quarters, (met, n) each; a day apart from the 20th of its first month."""
    cases: list[dict] = []
    for place, (met, n) in enumerate(counts):
        start = (pd.Period(first, "Q") + place).start_time.normalize() + 19 * DAY
        for each in range(n):
            gain = MET if each < met else MISSED
            cases.append(case(len(cases) + 1, start + each * DAY, gain, **changes))
    return cases


def event(number: int, case_id: str, day: str | pd.Timestamp) -> dict:
    """A complication on a day."""
    return {
        "complication_id": f"X{number:03d}",
        "case_id": case_id,
        "occurred_on": pd.Timestamp(day).date(),
        "origin": "bone",
        "unplanned_operation": "no",
    }


def cohort(cases: list[dict], cutoff: str, **tables: list[dict]):
    """(cohort, measured) at a cut-off, through the kit's own way in."""
    frames = {"cases": pd.DataFrame(cases)}
    people = sorted({one["patient_id"] for one in cases})
    frames["patients"] = pd.DataFrame({"patient_id": people, "sex": "female"})
    frames |= {name: pd.DataFrame(rows) for name, rows in tables.items()}
    text = {
        name: frame.astype(object).where(frame.notna(), "").astype(str)
        for name, frame in frames.items()
    }
    built = audit.build_cohort(audit.tables_from_frames(text), cutoff)
    return built, measure_cases(built)


def yes_no_answers(counts: list[tuple[int, int]], *, first: str = "2021Q1") -> Answers:
    """Answers of successive quarters, (yes, n) each, all due; a case a patient."""
    rows = []
    for place, (yes, n) in enumerate(counts):
        day = (pd.Period(first, "Q") + place).start_time.normalize()
        values = np.r_[np.ones(int(yes)), np.zeros(int(n - yes))]
        rows.append(pd.DataFrame({"day": day, "value": values}))
    return _answers(pd.concat(rows, ignore_index=True))


def number_answers(values: list[float], *, first: str = "2024-01-01", days: int = 5) -> Answers:
    """Answers of single cases, `days` apart, all due."""
    day = pd.Timestamp(first) + np.arange(len(values)) * days * DAY
    return _answers(pd.DataFrame({"day": day, "value": np.asarray(values, dtype=float)}))


def _answers(rows: pd.DataFrame) -> Answers:
    ids = "C" + pd.Series(range(1, len(rows) + 1)).astype(str).str.zfill(4)
    return Answers(
        rows=rows.assign(
            unit_id=ids, patient_id=ids, centre="north", surgery_date=rows["day"], due=True
        )
    )


NO_EVENTS = pd.DataFrame(
    {
        name: pd.Series(dtype=object)
        for name in ("label", "kind", "criterion", "cause", "decided_by")
    }
).assign(happened_on=pd.Series(dtype="datetime64[ns]"))


def service_events(*rows: dict) -> pd.DataFrame:
    """The table of service events as a cohort holds it."""
    frame = pd.DataFrame(list(rows)).reindex(columns=NO_EVENTS.columns)
    return frame.assign(happened_on=pd.to_datetime(frame["happened_on"]))


class Stand:
    """What a series asks of a cohort when its answers are given."""

    def __init__(self, events: pd.DataFrame = NO_EVENTS) -> None:
        self.tables = {"service_events": events}
        self.cutoff = pd.Timestamp("2030-12-31")
