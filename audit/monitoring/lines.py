"""The control chart of a series of points, and its lines laid beside them."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd

from audit.estimates.chart_settings import Rebase
from audit.estimates.charts import ControlChart, control_chart
from audit.monitoring.points import PER, Points
from audit.monitoring.settings import MonitoringSettings

LINES = ["centre", "low", "high", "inner_low", "inner_high"]
COUNTED = ("proportion", "rate")


def chart_of(
    points: Points, *, settings: MonitoringSettings, rebase: tuple[Rebase, ...] = ()
) -> ControlChart | None:
    """The chart of all points under the report's settings; None where no point has a value."""
    table, sizes = points.table, None
    if not table["value"].notna().any():
        return None
    values = table["value"] if points.kind not in COUNTED else table["count"]
    if points.kind in COUNTED:
        sizes = (table["n"] / (PER if points.kind == "rate" else 1)).to_numpy()
    return control_chart(
        values.to_numpy(),
        sizes,
        kind=points.kind,
        rules=settings.rules,
        settings=dataclasses.replace(settings.chart(points.kind), rebase=rebase),
    )


def with_lines(table: pd.DataFrame, chart: ControlChart | None, *, least: float) -> pd.DataFrame:
    """The points with order, lines, signal, side, phase and used_for_limits.

    least: the least value a point can have; a lower limit at or below it is none. Without a chart
    there are no lines.
    """
    order = pd.Series(np.arange(1, len(table) + 1), index=table.index)
    if chart is None:
        empty = table.assign(order=order, **dict.fromkeys(LINES, np.nan))
        return empty.assign(signal="", side="", phase=1, used_for_limits=False)
    drawn = chart.table[[*LINES, "signal", "side", "phase", "used_for_limits"]]
    out = pd.concat([table.assign(order=order), drawn], axis=1)
    return out.assign(low=out["low"].mask(out["low"] <= least))
