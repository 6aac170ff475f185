"""Bootstrap over the clusters of a table: any statistic, with the patient as the unit drawn."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from audit.estimates.estimate import LEVEL, Estimate
from audit.estimates.inputs import (
    Numbers,
    as_numbers,
    as_yes_no,
    check_choice,
    check_level,
    cluster_codes,
)
from audit.estimates.resampling import (
    RESAMPLES,
    SEED,
    QuantileStatistic,
    RatioStatistic,
    Resamples,
    TableStatistic,
    Weighted,
    bootstrap_estimate,
    draw,
)

NAMED = ("mean", "median", "proportion", "rate")


def cluster_bootstrap(
    table: pd.DataFrame,
    statistic: str | Callable[[pd.DataFrame], float],
    cluster: str,
    *,
    column: str | None = None,
    exposure: str | None = None,
    resamples: int = RESAMPLES,
    seed: int = SEED,
    level: float = LEVEL,
    unit: str = "",
) -> Estimate:
    """Any statistic of a table with the bootstrap interval over its clusters (patients).

    statistic: a function of a table that returns one number, or a name: mean, median or
    proportion (yes/no) of `column`, rate of `column` per `exposure`. cluster: the column of
    cluster ids; a missing id raises ValueError. Named statistics leave out rows that lack a value
    and count them; a function sees all rows and does its own. The limits are percentiles
    of the resamples. Fewer than two clusters: the value without limits. The generator is the
    call's own: one seed gives the same limits in any order of the rows. Sources: Efron and
    Tibshirani 1993, An Introduction to the Bootstrap, chapter 13; Davison and Hinkley 1997,
    Bootstrap Methods and their Application, section 3.8 (whole clusters).
    """
    check_level(level)
    drawn = bootstrap_distribution(
        table, statistic, cluster, column=column, exposure=exposure, resamples=resamples, seed=seed
    )
    name = statistic if isinstance(statistic, str) else "statistic"
    return bootstrap_estimate(drawn, name=name, level=level, unit=unit)


def bootstrap_distribution(
    table: pd.DataFrame,
    statistic: str | Callable[[pd.DataFrame], float],
    cluster: str,
    *,
    column: str | None = None,
    exposure: str | None = None,
    resamples: int = RESAMPLES,
    seed: int = SEED,
) -> Resamples:
    """The bootstrap distribution behind `cluster_bootstrap`: standard error, shape, BCa limits.

    Arguments, missing-data rule and errors as there. `.limits(level, interval="bca")` gives the
    bias-corrected and accelerated interval (Efron 1987, J Am Stat Assoc 82:171-185), with the
    acceleration from leaving out one cluster at a time.
    """
    codes = cluster_codes(_column(table, cluster))
    if callable(statistic):
        weighted: Weighted = TableStatistic(table, codes, statistic)
        return draw(weighted, codes, missing=0, resamples=resamples, seed=seed)
    check_choice(statistic, NAMED, name="statistic")
    top, bottom = _named_columns(table, statistic, column, exposure)
    known = ~(np.isnan(top) | np.isnan(bottom))
    # Clusters are numbered again, for those without any usable row are not drawn.
    codes = np.unique(codes[known], return_inverse=True)[1]
    if statistic == "median":
        weighted = QuantileStatistic(top[known], codes, 0.5)
    else:
        weighted = RatioStatistic(top[known], bottom[known], codes)
    return draw(weighted, codes, missing=int((~known).sum()), resamples=resamples, seed=seed)


def _column(table: pd.DataFrame, name: str | None) -> pd.Series:
    if name is None or name not in table.columns:
        raise ValueError(f"the table has no column {name!r}; it has {list(table.columns)}")
    return table[name]


def _named_columns(
    table: pd.DataFrame, statistic: str, column: str | None, exposure: str | None
) -> tuple[Numbers, Numbers]:
    values = _column(table, column)
    if statistic == "rate":
        bottom = as_numbers(_column(table, exposure), name="exposure")
        if (bottom < 0).any():
            raise ValueError("exposure must be 0 or more")
        return as_numbers(values, name="column"), bottom
    if exposure is not None:
        raise ValueError("exposure goes with the statistic 'rate' only")
    read = as_yes_no if statistic == "proportion" else as_numbers
    return read(values, name="column"), np.ones(len(table))
