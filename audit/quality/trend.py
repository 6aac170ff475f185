"""Data quality by quarter of surgery: key items complete, and error queries per 100 cases.

A run chart each (median as centre line, runs analysis; standards 1.3, items 1, 2 and 8): no
control limits, and each point with its own interval.
"""

from __future__ import annotations

import dataclasses

import pandas as pd

from audit.estimates.charts import control_chart
from audit.estimates.estimate import Estimate
from audit.estimates.rates import rate
from audit.quality.broken_rules import dimension_of
from audit.quality.choices import QualityChoices
from audit.quality.completeness import CORE, KEY_SETS, complete_cases
from audit.quality.ground import ESTIMATE_COLUMNS, Ground, estimate_cells, share

COMPLETE, CORE_COMPLETE, ERRORS = "key_items_complete", "core_complete", "errors_per_100_cases"
PER = 100.0
COLUMNS = ["series", "quarter", "events", "n", *ESTIMATE_COLUMNS, "centre", "signal"]


@dataclasses.dataclass(frozen=True, eq=False)
class Trend:
    """points: one row a series and quarter, in order (`COLUMNS`). signals: series -> what the runs
    analysis says, in words. unplaced: error queries of cases whose day of surgery is not known."""

    points: pd.DataFrame
    signals: dict[str, str]
    unplaced: int


def key_items() -> tuple[str, ...]:
    """All items of all key sets, each once."""
    return tuple(dict.fromkeys(item for items in KEY_SETS.values() for item in items))


def trend(
    ground: Ground, states: pd.DataFrame, quarter: pd.Period, choices: QualityChoices
) -> Trend:
    """The last `choices.quarters` quarters of surgery up to `quarter`, none before the first case.

    Completeness: usable cases complete in every key item that can be expected of them by now /
    usable cases with such an item (share, Wilson). Errors: error queries about cases operated in
    the quarter, in whatever table / rows of the cases table operated in it, per 100 (exact
    Poisson); a missing value is no error here, it counts under completeness.
    """
    operated = ground.cohort.cases.set_index("case_id")["surgery_date"].dt.to_period("Q")
    quarters = _quarters(ground, quarter, choices.quarters)
    level = ground.cohort.settings.level
    parts, signals = [], {}
    for name, items in ((COMPLETE, key_items()), (CORE_COMPLETE, CORE)):
        whole = complete_cases(states, items)
        groups = whole.groupby(operated.reindex(whole.index))
        counts = pd.DataFrame({"events": groups.sum(), "n": groups.count()})
        points, signals[name] = _series(name, counts.reindex(quarters), level)
        parts.append(points)
    counts, unplaced = _errors(ground)
    points, signals[ERRORS] = _series(ERRORS, counts.reindex(quarters), level)
    return Trend(pd.concat([*parts, points], ignore_index=True)[COLUMNS], signals, unplaced)


def _quarters(ground: Ground, last: pd.Period, most: int) -> pd.PeriodIndex:
    quarters = pd.period_range(end=last, periods=most, freq="Q")
    operated = ground.frames["cases"]["surgery_date"].dropna().dt.to_period("Q")
    first = min(operated.min(), last) if len(operated) else last
    return quarters[quarters >= first]


def _errors(ground: Ground) -> tuple[pd.DataFrame, int]:
    """(events and n by quarter of surgery, errors of cases without a day of surgery)."""
    cases = ground.frames["cases"].dropna(subset=["case_id"]).drop_duplicates("case_id")
    quarter = cases.set_index("case_id")["surgery_date"].dt.to_period("Q")
    queries = ground.queries
    wrong = queries.loc[(queries["severity"] == "error") & queries["case_id"].isin(quarter.index)]
    wrong = wrong.loc[[dimension_of(str(rule)) != "completeness" for rule in wrong["rule"]]]
    placed = wrong["case_id"].map(quarter)
    return (
        pd.DataFrame(
            {
                "events": placed.value_counts().reindex(quarter.dropna().unique(), fill_value=0),
                "n": quarter.value_counts(),
            }
        ),
        int(placed.isna().sum()),
    )


def _series(name: str, counts: pd.DataFrame, level: float) -> tuple[pd.DataFrame, str]:
    """(points of one series, its signals in words)."""
    counts = counts.fillna(0).astype(int)
    rows = [
        {"series": name, "quarter": str(quarter), "events": row.events, "n": row.n}
        | estimate_cells(_estimate(name, int(row.events), int(row.n), level))
        for quarter, row in zip(counts.index, counts.itertuples(), strict=True)
    ]
    chart = control_chart(
        counts["events"].to_numpy(dtype=float),
        counts["n"].to_numpy(dtype=float) / (PER if name == ERRORS else 1.0),
        kind="rate" if name == ERRORS else "proportion",
        rules="runs",
    )
    found = pd.DataFrame(rows)
    found["centre"] = chart.table["centre"].to_numpy()
    found["signal"] = chart.table["signal"].to_numpy()
    undone = [note for note in chart.notes if note.startswith("runs tests not done")]
    return found, "; ".join([*chart.signals, *undone]) or "no signal by the runs rules"


def _estimate(name: str, events: int, n: int, level: float) -> Estimate:
    if name == ERRORS:
        return rate(events, n, per=PER, n=n, level=level, unit="events per 100 cases")
    return share(events, n, level=level, none="no case operated")
