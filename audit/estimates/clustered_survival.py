"""Product-limit curve with limits that allow for several cases of one patient."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from audit.estimates.estimate import LEVEL
from audit.estimates.product_limit import INTERVALS, product_limit
from audit.estimates.risk_sets import Counts, count_at_times
from audit.estimates.survival import SurvivalCurve, curve_from
from audit.estimates.time_input import (
    TimeData,
    check_level,
    codes_of,
    one_of,
    read_times,
    same_rows,
)

FEW_CLUSTERS = 10
_BLOCK = 2_000_000


def clustered_survival_curve(
    durations: Any,
    observed: Any,
    cluster: Any,
    entry: Any = None,
    *,
    interval: str = "log-log",
    level: float = LEVEL,
    missing: int = 0,
    unit: str = "days",
) -> SurvivalCurve:
    """The curve of `survival_curve` with every error taken over clusters, not over cases.

    cluster: the patient (or other unit) of each row, none empty. Same curve, same median and same
    means; standard errors and limits come from the infinitesimal jackknife grouped by cluster
    (Therneau & Grambsch 2000, Modeling Survival Data, section 8.2; the default of R's
    survfit(cluster=)). With one case a cluster and no late entry they equal Greenwood's. Below
    ten clusters a note says that the limits tend to be too narrow. Other rules as there.
    """
    one_of(interval, name="interval", choices=INTERVALS)
    same_rows(durations=durations, observed=observed, cluster=cluster, entry=entry)
    data = read_times(durations, observed, entry)
    labels = pd.Series(cluster).reset_index(drop=True)
    codes, names = codes_of(labels if data.kept is None else labels.iloc[data.kept], name="cluster")
    counts = count_at_times(data)
    survival, _ = product_limit(counts)
    influence = ClusterInfluence(data, counts, codes, len(names))
    curve = curve_from(
        data,
        (counts, survival, influence.log_variance()),
        interval=interval,
        level=check_level(level),
        missing=missing,
        unit=unit,
    )
    caution = ""
    if 0 < len(names) < FEW_CLUSTERS:
        caution = f"only {len(names)} clusters: the limits tend to be too narrow"
    return dataclasses.replace(curve, influence=influence, caution=caution)


@dataclasses.dataclass(frozen=True, eq=False)
class ClusterInfluence:
    """How the logarithm of the curve answers to each cluster.

    A case adds, up to time t, the sum over its event times of -1 / (n - d) and over all event
    times while it is at risk of d / (n (n - d)): the derivative of ln S(t) by its weight.
    """

    data: TimeData
    counts: Counts
    codes: np.ndarray
    clusters: int

    @property
    def label(self) -> str:
        """Words for the method of an estimate."""
        return f"robust over {self.clusters} clusters"

    def log_variance(self) -> np.ndarray:
        """Variance of ln S at each time; infinite from where all at risk have the event."""
        total = np.zeros(self.counts.time.size)
        for change in self._blocks():
            total += np.sum((np.cumsum(change, axis=1)) ** 2, axis=0)
        ended = np.cumsum((self.counts.events > 0) & (self._left() == 0)) > 0
        return np.where(ended, np.inf, total)

    def area_error(self, survival: np.ndarray, horizon: float) -> float:
        """Standard error of the area under the curve up to `horizon`."""
        inside = self.counts.time <= horizon
        width = np.diff(np.append(self.counts.time[inside], horizon))
        pieces = survival[inside] * width
        total = 0.0
        for change in self._blocks():
            moved = np.cumsum(change[:, inside], axis=1) @ pieces
            total += float(moved @ moved)
        return float(np.sqrt(total))

    def _left(self) -> np.ndarray:
        return self.counts.at_risk - self.counts.events

    def _blocks(self) -> Iterator[np.ndarray]:
        """Steps of ln S, clusters in rows and times in columns, a few clusters at a time."""
        times = self.counts.time.size
        size = max(1, _BLOCK // max(times, 1))
        for first in range(0, self.clusters, size):
            yield self._steps(first, min(size, self.clusters - first))

    def _steps(self, first: int, many: int) -> np.ndarray:
        rows = np.flatnonzero((self.codes >= first) & (self.codes < first + many))
        owner = self.codes[rows] - first
        left = self._left().astype(np.float64)
        own = np.divide(1.0, left, out=np.zeros(left.size), where=left > 0)
        expected = own * self.counts.events / np.maximum(self.counts.at_risk, 1)
        time = self.counts.time
        end = np.searchsorted(time, self.data.time[rows], side="right")
        present = np.zeros((many, time.size + 1))
        np.add.at(present, (owner, self._start(rows)), 1.0)
        np.add.at(present, (owner, end), -1.0)
        change = np.cumsum(present, axis=1)[:, :-1] * expected
        seen = self.data.event[rows]
        at = end[seen] - 1
        np.add.at(change, (owner[seen], at), -own[at])
        return change

    def _start(self, rows: np.ndarray) -> np.ndarray:
        """Column from which a case is at risk: the first time after its entry."""
        if self.data.entry is None:
            return np.zeros(rows.size, dtype=np.intp)
        entry = self.data.entry[rows]
        after = np.searchsorted(self.counts.time, entry, side="right")
        return np.where(entry > 0, after, 0)
