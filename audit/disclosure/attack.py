"""Attack on what is released: how closely can an outsider work out what is hidden?

Everything that is printed is put into one set of equations (`equations`), and for every hidden
number the smallest and largest value that they leave are found (`solve`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from audit.disclosure.controlled import ControlledTable
from audit.disclosure.equations import REST, Release, release_of
from audit.disclosure.facts_known import cells_of
from audit.disclosure.leaks import leaking
from audit.disclosure.means import attack_means
from audit.disclosure.settings import ControlSettings
from audit.disclosure.solve import UNBOUNDED, Equations, extremes

COLUMNS = [
    "table",
    "cell",
    "statistic",
    "quantity",
    "low",
    "high",
    "width",
    "pinned",
    "protected",
    "note",
]
DEPTHS = ("limits", "verdict")
NO_LIMIT = "nothing released limits it from above"
SECOND = "not of few people: hidden with or for another number"
SHOWN_SMALL = "shown, though below the threshold"
DECIDED = "shown by a recorded decision"


def attack(
    released: Sequence[ControlledTable], settings: ControlSettings, *, depth: str = "limits"
) -> pd.DataFrame:
    """What an outsider can work out of the tables of one release: `COLUMNS`, a row a number.

    Rows: every hidden numerator and denominator; the `complement` (units without the attribute) of
    hidden numerators; the `rest` (units in no category listed); hidden means (quantity `value`);
    and counts shown below the threshold. low, high: the smallest and largest value that agree with
    all that is released (high missing: no limit follows). pinned: only one value is left, and it
    speaks of few people. protected: at least `least_left` values are left, or the number is hidden
    only to protect another; a mean is protected while it is not known to about 10 per cent
    (`attack_means`).

    depth: limits (all smallest and largest values) or verdict (quicker: for a protected number low
    and high are two values that are possible and far enough apart, not the outermost).

    The outsider knows the settings, the reasons of the markers, and which numbers are the same or
    sum to which. Not used: medians, quartiles and standard deviations (their n is), several
    statistics of the same people under different names, what is known of people from elsewhere.
    Raises Contradiction (a ValueError) where the released numbers cannot all be true.
    Source of the method: Fischetti and Salazar 2000, J Am Stat Assoc 95:916-928 (attacker's
    programs); Hundepool et al. 2012, Statistical Disclosure Control, chapter 4.
    """
    if depth not in DEPTHS:
        raise ValueError(f"depth must be one of {', '.join(DEPTHS)}; got {depth!r}")
    tables = tuple(released)
    release = release_of(tables, settings)
    equations = leaking(release, tables, release.equations())
    targets = targets_of(release)
    enough = math.inf if depth == "limits" else least_left(settings) - 1
    found = _judged(targets, equations, settings, enough)
    means = attack_means(release, tables, equations)
    parts = [part for part in (_named(found, tables), _named(means, tables)) if len(part)]
    every = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=COLUMNS)
    return every.astype(
        {"low": float, "high": float, "width": float, "pinned": bool, "protected": bool}
    )


def least_left(settings: ControlSettings) -> int:
    """How many values must be left for a hidden count: as many as rounding leaves for a shown one
    (5 where counts are rounded to 5), two at least, and no more than markers leave (threshold - 1).

    Common practice asks that a hidden count stay uncertain and leaves the width to the house; this
    width is the kit's choice, no published source.
    """
    return max(1, min(max(2, settings.base), settings.threshold - 1))


def targets_of(release: Release) -> pd.DataFrame:
    """What is attacked: table, row, quantity, variable, sensitive (of few people), shown, and
    decided (by a recorded decision)."""
    numbers, settings = release.numbers, release.settings
    small = ~numbers["hidden"] & (numbers["low"] >= 1) & (numbers["high"] < settings.threshold)
    small &= numbers["whole"] & (numbers["kind"] != "curve")
    hidden = numbers["hidden"] & numbers["whole"]
    columns = ["table", "row", "quantity", "variable", "sensitive"]
    chosen = numbers.loc[hidden | small, [*columns, "decided"]]
    chosen = chosen.assign(shown=small[chosen.index])
    others = release.others[columns].assign(shown=False, decided=False)
    found = pd.concat([chosen, others], ignore_index=True)
    return found.astype({"sensitive": bool, "shown": bool, "decided": bool})


def is_open(targets: pd.DataFrame, settings: ControlSettings) -> np.ndarray:
    """True for targets (with low and high) that are not protected: too few values are left.

    A rest that may be nobody, or that can be the threshold or more, gives nobody away.
    """
    left = targets["high"] - targets["low"] + 1
    bad = (left < least_left(settings)) & targets["sensitive"]
    rest = targets["quantity"] == REST
    harmless = rest & ((targets["low"] < 1) | (targets["low"] >= settings.threshold))
    return ((bad | targets["shown"]) & ~harmless & ~targets["decided"]).to_numpy()


def _judged(
    targets: pd.DataFrame, equations: Equations, settings: ControlSettings, enough: float
) -> pd.DataFrame:
    places, where = np.unique(targets["variable"].to_numpy(dtype=int), return_inverse=True)
    least, most = extremes(equations, places, enough=enough)
    found = targets.assign(low=least[where], high=most[where])
    free = found["high"] >= UNBOUNDED / 2
    note = pd.Series("", index=found.index).mask(free, NO_LIMIT)
    note = note.mask(~found["sensitive"], SECOND).mask(found["shown"], SHOWN_SMALL)
    note = note.mask(found["shown"] & found["decided"], DECIDED)
    return found.assign(
        low=found["low"] + 0.0,  # no minus zero
        pinned=(found["low"] == found["high"]) & (found["sensitive"] | found["shown"]),
        protected=~is_open(found, settings),
        high=found["high"].mask(free),
        note=note,
    )


def _named(found: pd.DataFrame, tables: tuple[ControlledTable, ...]) -> pd.DataFrame:
    """Positions as names of tables and cells."""
    if not len(found):
        return found
    cells = {at: cells_of(one) for at, one in enumerate(tables)}
    words, statistics = [], []
    for table, row in zip(found["table"], found["row"], strict=True):
        cell = cells[table][row]
        words.append("; ".join(f"{name}={word}" for name, word in cell) or "all")
        statistics.append(str(tables[table].frame["statistic"].iloc[row]))
    named = found.assign(
        table=[tables[at].table.name for at in found["table"]],
        cell=words,
        statistic=statistics,
        width=found["high"] - found["low"],
    )
    return named[COLUMNS]
