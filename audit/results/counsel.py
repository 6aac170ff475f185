"""What families were told about walking, set against what happened, and the service's own times."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from audit.cohort import Cohort
from audit.estimates.clustered_survival import clustered_survival_curve
from audit.estimates.estimate import Estimate, not_estimable
from audit.estimates.proportions import proportion
from audit.estimates.survival import SurvivalCurve, survival_curve
from audit.measures.common import days_between
from audit.measures.weight_bearing import (
    IMPOSSIBLE,
    days_to_full_weight_bearing,
    number_episodes,
    walking_episodes,
)
from audit.results.groups import ALL, NOT_RECORDED
from schemas import vocabulary

DAYS_A_WEEK = 7
#: bands of what was told, weeks: lower end -> words (local choice)
PROMISE_BANDS = {
    0: "under 12 weeks",
    12: "12 to 15 weeks",
    16: "16 to 19 weeks",
    20: "20 or more weeks",
}
#: bands of the largest planned gain, mm, and of age at the first surgery, years (local choices)
GAIN_BANDS = {0: "under 30 mm", 30: "30 to 44 mm", 45: "45 to 59 mm", 60: "60 mm or more"}
AGE_BANDS = {
    0: "under 12 years",
    12: "12 to 17 years",
    18: "18 to 39 years",
    40: "40 years or more",
}
BANDS = {"gain_band": GAIN_BANDS, "age_band": AGE_BANDS}
FEWEST_PEOPLE = 5
TOO_FEW = f"fewer than {FEWEST_PEOPLE} people"
CAME_LATER = "everybody came under this service only after the promised day"
EACH_KIND = ("segment", "device_class", "gain_band", "age_band")
OWN_GROUPINGS: tuple[tuple[str, ...], ...] = ((), *((name,) for name in EACH_KIND), EACH_KIND)
QUARTILES = {"q1": 0.25, "median": 0.5, "q3": 0.75}
CALIBRATION_COLUMNS = [
    "band", "share", "low", "high", "n", "people", "missing", "reached", "not_reached", "unknown",
    "method", "note", "delay_days", "delay_low", "delay_high", "delay_method", "delay_note",
    "level",
]  # fmt: skip


def episode_facts(cohort: Cohort) -> pd.DataFrame:
    """`walking_episodes` with what a family asks by, one row a walking episode.

    promised_day: the latest promised day of its cases, in days from the FIRST surgery, so that a
    promise given for a second operation counts from that operation; missing without a promise.
    planned_gain_mm: the largest planned gain of one bone (bones heal side by side, and the longest
    gap is waited for); missing when one is not recorded. gain_band, age_band (age at the first
    surgery): words of the band, missing where unknown. too_late: came under observation only
    after the time was over. free_until: day of the cut-off, from the first surgery.
    """
    episodes = walking_episodes(cohort).set_index("episode")
    cases = cohort.cases.set_index("case_id", drop=False)
    walking = days_to_full_weight_bearing(cohort)["reason"].isna()
    cases = cases.loc[walking].rename_axis(None)
    number = number_episodes(cases, cohort.settings.episode_gap_days)
    offset = days_between(cases["surgery_date"], number.map(episodes["surgery_date"]))
    promise = offset + DAYS_A_WEEK * cases["counselled_full_weight_bearing_weeks"]
    gain = cases["planned_gain_mm"].astype(float).groupby(number)
    known = gain.count() == gain.size()
    out = episodes.assign(
        promised_day=promise.groupby(number).max(),
        planned_gain_mm=gain.max().where(known),
        age_years=cases["age_at_surgery_years"].groupby(number).min(),
        free_until=days_between(pd.Series(cohort.cutoff, episodes.index), episodes["surgery_date"]),
        too_late=(episodes["entry"] > 0) & (episodes["entry"] >= episodes["duration"]),
    )
    out["gain_band"] = _banded(out["planned_gain_mm"], GAIN_BANDS)
    out["age_band"] = _banded(out["age_years"], AGE_BANDS)
    return out.reset_index()


def _banded(values: pd.Series, bands: dict[int, str]) -> pd.Series:
    """Words of the band of each value; a band runs from its lower end to below the next."""
    ends = [*bands, np.inf]
    cut = pd.cut(values, ends, right=False, labels=list(bands.values()))
    return cut.astype(object)


def calibration(cohort: Cohort) -> pd.DataFrame:
    """What we told them: share bearing full weight by the promised week, all and by promise.

    One row for `All promises` and one a band of promised weeks; columns `CALIBRATION_COLUMNS`.
    share, low, high (0-1) from a Kaplan-Meier curve of time relative to the promised day, read at
    that day (which counts as kept): a waiting episode stays in until it was last seen waiting, one
    taken over counts from arrival. An episode in which death or amputation made walking
    impossible did not keep the promise: it stays among the waiting until the cut-off, when it
    would have been censored anyhow (Fine & Gray 1999, J Am Stat Assoc 94:496-509, censoring
    complete data). Where the curve has no limits (nobody or everybody) and every state is known,
    Wilson's. reached, not_reached, unknown: states at the promised day. missing: episodes
    without a promise (first row), or come too late. delay_days: median of reached - promised day.
    """
    told = episode_facts(cohort)
    band = _banded(told["promised_weeks"], PROMISE_BANDS)
    rows = [_promise_row("All promises", told, cohort.settings.level)]
    for words in PROMISE_BANDS.values():
        rows.append(_promise_row(words, told.loc[band == words], cohort.settings.level))
    out = pd.DataFrame(rows, columns=CALIBRATION_COLUMNS)
    numbers = ["share", "low", "high", "delay_days", "delay_low", "delay_high", "level"]
    return out.astype(dict.fromkeys(numbers, float))


def _promise_row(words: str, told: pd.DataFrame, level: float) -> dict[str, object]:
    usable = told.loc[told["promised_day"].notna() & ~told["too_late"]]
    missing = len(told) - len(usable)
    # One shift for all keeps times above 0; a case watched from surgery on is watched from the
    # start of this scale, for nobody is left out by a promise that was short.
    shift = float(usable["promised_day"].max()) + 1 if len(usable) else 1.0
    moved = shift - usable["promised_day"]
    ended = usable["cause"] == IMPOSSIBLE
    time = usable["duration"].mask(ended, usable["free_until"]) + moved
    late = usable["entry"] > 0
    entry = (usable["entry"] + moved).where(late, 0.0)
    curve = _curve(usable["patient_id"], time, usable["observed"], entry, level, missing)
    reached = usable["observed"] & (time <= shift) & ~late
    not_reached = (time > shift) | ((time == shift) & ~usable["observed"])
    not_reached &= ~late | (entry < shift)
    states = int(reached.sum()), int(not_reached.sum())
    watched = len(usable) == 0 or bool((entry < shift).any())
    share = _share(curve, shift, states) if watched else _unwatched(curve)
    delay = curve.median()
    moved_back = [None if x is None else x - shift for x in (delay.value, delay.low, delay.high)]
    return {
        "band": words, "share": share.value, "low": share.low, "high": share.high, "n": curve.n,
        "people": usable["patient_id"].nunique(), "missing": missing, "reached": states[0],
        "not_reached": states[1], "unknown": curve.n - sum(states), "method": share.method,
        "note": _because(share.note, told), "delay_days": moved_back[0], "delay_low": moved_back[1],
        "delay_high": moved_back[2], "delay_method": delay.method, "delay_note": delay.note,
        "level": level,
    }  # fmt: skip


def _curve(
    patients: pd.Series,
    time: pd.Series,
    observed: pd.Series,
    entry: pd.Series,
    level: float,
    missing: int,
) -> SurvivalCurve:
    """Curve of episodes; limits over patients where one gives several and there are enough."""
    late = entry.to_numpy(dtype=float) if bool((entry > 0).any()) else None
    times = time.to_numpy(dtype=float), observed.to_numpy(dtype=bool)
    people = patients.nunique()
    if FEWEST_PEOPLE <= people < len(patients):
        return clustered_survival_curve(
            *times, patients.to_numpy(), late, level=level, missing=missing
        )
    return survival_curve(*times, late, level=level, missing=missing)


def _share(curve: SurvivalCurve, day: float, states: tuple[int, int]) -> Estimate:
    """Share that has reached the event by `day`; Wilson's limits where the curve has none."""
    left = curve.at(day)
    method = f"1 - {left.method}"
    about: dict[str, Any] = {
        "n": curve.n,
        "missing": curve.missing,
        "level": curve.level,
        "unit": "share",
    }
    if left.value is None:
        return not_estimable(left.note, method=method, **about)
    value = 1 - left.value
    if 0 < left.value < 1 and left.low is not None and left.high is not None:
        return Estimate(
            value=value,
            low=1 - left.high,
            high=1 - left.low,
            method=method,
            note=left.note,
            **about,
        )
    if sum(states) == curve.n:
        return proportion(
            states[0], curve.n, missing=curve.missing, level=curve.level, unit="share"
        )
    return Estimate(value=value, method=method, note=left.note, **about)


def _unwatched(curve: SurvivalCurve) -> Estimate:
    method = f"1 - {curve.at(0).method}"
    return not_estimable(
        CAME_LATER, n=curve.n, missing=curve.missing, method=method, unit="share", level=curve.level
    )


def _because(note: str, told: pd.DataFrame) -> str:
    absent = int(told["promised_day"].isna().sum())
    late = int((told["promised_day"].notna() & told["too_late"]).sum())
    ended = int((told["promised_day"].notna() & (told["cause"] == IMPOSSIBLE)).sum())
    parts = [
        note,
        f"no promise recorded: {absent}" if absent else "",
        f"arrived after the time was over: {late}" if late else "",
        f"walking made impossible: {ended}" if ended else "",
    ]
    return "; ".join(part for part in parts if part)


def own_times(cohort: Cohort) -> pd.DataFrame:
    """The service's own times to full weight bearing, by what a family can name beforehand.

    One row a group: group_by (`all`, segment, device_class, gain_band, age_band, and the four
    together joined by "+"), group, people, limbs, episodes, n, missing, events, first_surgery,
    last_surgery; q1, median, q3 in days, each with `_low` and `_high`; level, method, note.
    Kaplan-Meier a walking episode, waiting ones kept in, ended ones censored as in results.csv;
    limits over patients where one has several episodes. Fewer than five people: counts only, with
    that reason. Groups come in the order of the code lists; an unknown band is `not_recorded`.
    """
    facts = episode_facts(cohort)
    rows = [
        _time_row("+".join(columns) or ALL, group, part, cohort.settings.level)
        for columns in OWN_GROUPINGS
        for group, part in _groups(facts, columns)
    ]
    out = pd.DataFrame(rows)
    numbers = [f"{name}{side}" for name in QUARTILES for side in ("", "_low", "_high")]
    return out.astype(dict.fromkeys(numbers, float) | {"events": "Int64"})


def _groups(facts: pd.DataFrame, columns: tuple[str, ...]) -> Iterator[tuple[str, pd.DataFrame]]:
    if not columns:
        yield ALL, facts
        return
    codes = facts[list(columns)].astype(object)
    codes = codes.where(codes.notna(), NOT_RECORDED)
    ranks = codes.apply(lambda column: column.map(_rank(str(column.name))).fillna(np.inf))
    order = ranks.sort_values(list(columns), kind="stable").index
    labels = codes.astype(str).agg("+".join, axis=1)
    for label in labels.loc[order].unique():
        yield label, facts.loc[labels == label]


def _rank(name: str) -> dict[str, int]:
    words = list(BANDS[name].values()) if name in BANDS else list(vocabulary.codes(name))
    return {word: place for place, word in enumerate(words)}


def _time_row(group_by: str, group: str, part: pd.DataFrame, level: float) -> dict[str, object]:
    usable = part.loc[~part["too_late"]]
    people = usable["patient_id"].nunique()
    row: dict[str, object] = {
        "group_by": group_by, "group": group, "people": people,
        "limbs": int(usable["limbs"].sum()), "episodes": len(part), "n": len(usable),
        "missing": len(part) - len(usable), "events": pd.NA, "first_surgery": pd.NaT,
        "last_surgery": pd.NaT, "level": level, "method": "", "note": TOO_FEW,
    }  # fmt: skip
    empty = dict.fromkeys(
        [f"{name}{side}" for name in QUARTILES for side in ("", "_low", "_high")], np.nan
    )
    if people < FEWEST_PEOPLE:
        return row | empty
    entry = usable["entry"].clip(lower=0.0)
    missing = len(part) - len(usable)
    curve = _curve(
        usable["patient_id"], usable["duration"], usable["observed"], entry, level, missing
    )
    for name, q in QUARTILES.items():
        found = curve.quantile(q)
        row |= {name: found.value, f"{name}_low": found.low, f"{name}_high": found.high}
        if name == "median":
            row |= {"method": found.method, "note": found.note}
    return row | {
        "events": curve.events,
        "first_surgery": usable["surgery_date"].min(),
        "last_surgery": usable["surgery_date"].max(),
    }
