"""Picks the rows of the results table that a figure shows; changes no number."""

from __future__ import annotations

import re

import pandas as pd

CLUSTERED = "_clustered"
_EVENTS = re.compile(r"(\d+) events in ([\d.e+]+) cases")


def one_row(rows: pd.DataFrame, *, measure: str, statistic: str) -> pd.Series | None:
    """The row of a statistic, its patient-clustered twin where that has limits; None without one.

    ValueError when the rows speak of more than one group or window.
    """
    chosen = preferred(rows, measure=measure, statistic=statistic)
    if len(chosen) > 1:
        raise ValueError(f"{measure} {statistic}: one group and window expected, got {len(chosen)}")
    return chosen.iloc[0] if len(chosen) else None


def preferred(rows: pd.DataFrame, *, measure: str, statistic: str) -> pd.DataFrame:
    """One row a group: the clustered twin where it has limits, else the plain row.

    Groups keep their order. ValueError when the rows speak of more than one window.
    """
    mine = rows.loc[rows["measure"] == measure]
    if len(set(mine["window"])) > 1:
        raise ValueError(f"{measure}: choose one window, got {len(set(mine['window']))}")
    plain = mine.loc[mine["statistic"] == statistic]
    twins = mine.loc[mine["statistic"] == statistic + CLUSTERED]
    twins = twins.loc[twins["low"].notna() | twins["high"].notna()]
    keys = ["group_by", "group"]
    if plain.duplicated(keys).any() or twins.duplicated(keys).any():
        raise ValueError(f"{measure} {statistic}: a group appears more than once")
    replaced = plain.set_index(keys).index.isin(twins.set_index(keys).index)
    out = pd.concat([plain.loc[~replaced], twins]) if len(twins) else plain
    named = dict.fromkeys(zip(mine["group_by"], mine["group"], strict=True))
    place = {key: i for i, key in enumerate(named)}
    order = [place[key] for key in zip(out["group_by"], out["group"], strict=True)]
    return (
        out.assign(_place=order).sort_values("_place").drop(columns="_place").reset_index(drop=True)
    )


def events_and_cases(note: str, *, between: str = " / ") -> str:
    """`12 / 230` from the note of a rate row; empty where the note does not say."""
    found = _EVENTS.search(note or "")
    return f"{found[1]}{between}{found[2]}" if found else ""
