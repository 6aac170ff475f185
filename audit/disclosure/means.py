"""Attack on hidden means: what the mean of all and of the shown groups leaves for a hidden one."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

from audit.disclosure.controlled import ControlledTable
from audit.disclosure.derived import DIGITS
from audit.disclosure.equations import Release
from audit.disclosure.facts_known import key_dimensions
from audit.disclosure.settings import ControlSettings
from audit.disclosure.solve import Equations, tightened
from audit.summaries.table import ALL

FOUND = ["table", "row", "quantity", "low", "high", "pinned", "protected", "note"]
OF_UNION = "mean of all hidden groups of this cell together"
#: a hidden mean must not be known more closely, to both sides
PERCENT = 10.0
#: nor to within so many steps of its rounding
_STEPS = 4
#: counts tried for the hidden groups
_MOST = 60


@dataclasses.dataclass(frozen=True)
class _Family:
    """The mean of all, the shown means of its groups, and the hidden rows."""

    table: int
    whole: int
    shown: tuple[int, ...]
    hidden: tuple[int, ...]


def attack_means(
    release: Release, tables: Sequence[ControlledTable], equations: Equations
) -> pd.DataFrame:
    """Smallest and largest mean of hidden groups: `FOUND`, a row a hidden mean.

    Over an additive dimension n x mean of all is the sum of n x mean of its groups, so a hidden
    group has (n mean - sum of shown n mean) / its n. Each printed mean lies within half a step of
    its rounding, each n within its limits (`tightened`: a limit that only whole-number search would
    find is not used). Only families whose n add up are attacked; of several hidden groups only the
    mean of all of them follows. pinned: of few people and known to within one step. protected: not
    known to within `PERCENT` per cent to both sides nor to a few steps, or the groups hold enough
    people. Source of the criterion: the p per cent rule, Hundepool et al. 2012, Statistical
    Disclosure Control, chapter 4; p = 10 is common practice, no published source.
    """
    numbers = release.numbers
    denominators = numbers.loc[numbers["quantity"] == "denominator"]
    place = {
        (table, row): int(variable)
        for table, row, variable in denominators[["table", "row", "variable"]].itertuples(
            index=False
        )
    }
    low_of, high_of = tightened(equations)
    found = []
    for family in _families(tables):
        rows = (family.whole, *family.shown, *family.hidden)
        places = [place.get((family.table, row)) for row in rows]
        if None in places or not _adds_up(release, places):
            continue
        at = np.array(places, dtype=int)
        box = (low_of[at], high_of[at])
        limits = _mean_limits(family, tables[family.table], box, release.settings)
        if limits is None:
            continue
        low, high, step = limits
        width, many = high - low, _enough_people(family, release)
        near = PERCENT / 100 * abs(high + low)
        pinned = width <= step + 1e-9 and not many
        safe = width > max(near, _STEPS * step) or many
        note = OF_UNION if len(family.hidden) > 1 else ""
        found += [
            (family.table, row, "value", low, high, pinned, safe, note) for row in family.hidden
        ]
    return pd.DataFrame(found, columns=FOUND).drop_duplicates(["table", "row"])


def _families(tables: Sequence[ControlledTable]) -> Iterator[_Family]:
    for at, one in enumerate(tables):
        frame = one.frame.reset_index(drop=True)
        means = frame.loc[frame["statistic"] == "mean"]
        names = key_dimensions(one.table)
        for name in one.table.additive:
            others = [other for other in names if other != name]
            groups = means.groupby([*others, "unit"], dropna=False) if len(means) else []
            for _, part in groups:
                over_all = part[name].astype(str) == ALL
                known = part["value"].notna()
                hidden = part.index[~over_all & part["marker"].eq("[c]") & ~known]
                whole = part.index[over_all & known]
                if len(whole) == 1 and len(hidden):
                    shown = part.index[~over_all & known]
                    yield _Family(at, int(whole[0]), tuple(shown), tuple(hidden))


def _adds_up(release: Release, places: Sequence[int | None]) -> bool:
    """Whether the n of the groups sum to that of all; taken for granted without exact numbers."""
    true = release.variables["true"].to_numpy(dtype=float)[list(places)]
    return bool(np.isnan(true).all() or abs(true[0] - true[1:].sum()) < 1e-6)


def _enough_people(family: _Family, release: Release) -> bool:
    """Whether one of the hidden groups alone has enough people; unknown counts as not enough."""
    numbers = release.numbers
    rows = numbers.loc[
        (numbers["table"] == family.table)
        & numbers["row"].isin(family.hidden)
        & (numbers["quantity"] == "denominator")
    ]
    return bool((rows["people"] >= release.settings.averages_people).any())


def _mean_limits(
    family: _Family,
    one: ControlledTable,
    box: tuple[np.ndarray, np.ndarray],
    settings: ControlSettings,
) -> tuple[float, float, float] | None:
    """(smallest, largest, step) of the mean of the hidden groups together; None where no n fits, or
    too many do. box: limits of the n of all, of the shown and of the hidden groups."""
    low, high = box
    rows = [family.whole, *family.shown]
    values = one.frame["value"].to_numpy(dtype=float)[rows]
    unit = str(one.frame["unit"].iloc[family.whole])
    steps = np.array([step_of(value, unit, settings) for value in values])
    fewest = max(float(low[len(rows) :].sum()), 1.0)
    most = min(float(high[len(rows) :].sum()), float(high[0] - low[1 : len(rows)].sum()))
    if most < fewest or most > fewest + _MOST:
        return None
    found = []
    for n in np.arange(fewest, most + 1):
        for end in (-1.0, 1.0):
            # the mean of all to its end, the shown ones to the other: the hidden one to its end
            whole = end * (values[0] + end * steps[0] / 2)
            shown = end * (values[1:] - end * steps[1:] / 2)
            gain = _largest(whole - shown, (low, high), n)
            if gain is not None:
                found.append(end * (whole + gain / n))
    return (min(found), max(found), float(steps.max())) if found else None


def _largest(gain: np.ndarray, box: tuple[np.ndarray, np.ndarray], n: float) -> float | None:
    """Largest sum of gain x n over the shown groups, when all but they hold n; None if none fit.

    Whatever gains most is filled up first (continuous knapsack; Dantzig 1957, Oper Res 5:266-277).
    """
    low, high = (side[1 : gain.size + 1] for side in box)
    least, most = box[0][0] - n - low.sum(), box[1][0] - n - low.sum()
    room = high - low
    if most < 0 or room.sum() < least:
        return None
    total, used = float(gain @ low), 0.0
    for at in np.argsort(-gain, kind="stable"):
        wanted = most if gain[at] > 0 else max(least, used)
        step = min(room[at], max(wanted - used, 0.0))
        total += float(gain[at]) * step
        used += step
    return total


def step_of(value: float, unit: str, settings: ControlSettings) -> float:
    """The step to which an average is released: of its unit, else two significant digits."""
    step = settings.precision.get(unit)
    if step is not None:
        return float(step)
    if value == 0 or not np.isfinite(value):
        return 10.0**-DIGITS
    return float(10.0 ** (np.floor(np.log10(abs(value))) - DIGITS + 1))
