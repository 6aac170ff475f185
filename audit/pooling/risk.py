"""Times to an event as at-risk tables: how many entered, reached, were ruled out or left, by day.

A product-limit curve depends on these counts only, not on who they were, so tables of several
centres add up to the curve of all their people (Kaplan and Meier 1958, J Am Stat Assoc 53:457-481;
late entry by the risk set). Errors over patients do need the people and are not pooled.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from audit.estimates.competing import CumulativeIncidence, cumulative_incidence
from audit.estimates.survival import SurvivalCurve, survival_curve
from audit.estimates.time_input import read_times
from audit.measures.weight_bearing import IMPOSSIBLE
from audit.results.catalogue import NOT_APPLICABLE

STEP_COUNTS = ["entered", "events", "competing", "censored"]


def risk_table(times: pd.DataFrame, *, competing: bool = False) -> tuple[dict, pd.DataFrame]:
    """(n, missing, people, events of a group; its steps: time and `STEP_COUNTS`).

    times: from `results.times.time_table`. Rows without a usable time are missing, those outside
    the measure's population are not counted. entered: came under observation at that time (0: from
    the start). competing: death and amputation counted apart; else they censor.
    """
    inside = times.loc[~times["reason"].isin(NOT_APPLICABLE)]
    usable = inside.loc[inside["reason"].isna()]
    data = read_times(
        usable["duration"].to_numpy(dtype=float),
        usable["observed"].to_numpy(dtype=bool),
        usable["entry"].to_numpy(dtype=float),
    )
    rival = usable["cause"].to_numpy() == IMPOSSIBLE if competing else np.zeros(data.time.size) > 0
    event = data.event & ~rival
    counted = {
        "entered": np.zeros(data.time.size) if data.entry is None else data.entry,
        "events": data.time[event],
        "competing": data.time[rival],
        "censored": data.time[~event & ~rival],
    }
    parts = {name: pd.Series(at).value_counts() for name, at in counted.items()}
    steps = pd.DataFrame(parts).fillna(0).astype(int).sort_index()
    header = {
        "n": int(data.time.size),
        "missing": len(inside) - len(usable),
        "people": int(usable["patient_id"].nunique()),
        "events": int(event.sum()),
    }
    return header, steps.rename_axis("time").reset_index()


def add_steps(steps: pd.DataFrame) -> pd.DataFrame:
    """Steps of several centres together, in order of time."""
    return steps.groupby("time", sort=True)[STEP_COUNTS].sum().reset_index()


def curve_of_steps(steps: pd.DataFrame, *, missing: int, unit: str, level: float) -> SurvivalCurve:
    """The product-limit curve of the people behind the steps; competing ones censor."""
    durations = _times(steps, ["events", "competing", "censored"])
    observed = durations["cause"].to_numpy() == 1
    return survival_curve(
        durations["time"].to_numpy(dtype=float),
        observed,
        _entries(steps),
        level=level,
        missing=missing,
        unit=unit,
    )


def incidence_of_steps(steps: pd.DataFrame, *, missing: int, level: float) -> CumulativeIncidence:
    """The cumulative incidence of the people behind the steps, competing ones counted in."""
    durations = _times(steps, ["events", "competing", "censored"])
    return cumulative_incidence(
        durations["time"].to_numpy(dtype=float),
        durations["cause"].to_numpy(dtype=int),
        1,
        _entries(steps),
        level=level,
        missing=missing,
    )


def _times(steps: pd.DataFrame, names: list[str]) -> pd.DataFrame:
    """One row a person that left, in order of time: time, cause (1 event, 2 competing, 0 other)."""
    codes = dict(zip(names, (1, 2, 0), strict=True))
    long = steps.melt("time", names, var_name="how", value_name="people")
    rows = long.loc[long.index.repeat(long["people"].astype(int)), ["time", "how"]]
    rows = rows.assign(cause=rows["how"].map(codes))
    return rows.sort_values("time", kind="stable").reset_index(drop=True)


def _entries(steps: pd.DataFrame) -> np.ndarray | None:
    """Times of entry in order, None where all start at 0. Who entered when is not known and need
    not be: the first to enter is set beside the first to leave, which changes no risk set."""
    entered = steps["time"].repeat(steps["entered"].astype(int)).to_numpy(dtype=float)
    return np.sort(entered) if (entered > 0).any() else None
