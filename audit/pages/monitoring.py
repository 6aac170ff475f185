"""Charts over time, funnels and sums of misses: cells of a notebook."""

from __future__ import annotations

from collections.abc import Sequence

from audit import figures
from audit.criteria import Criterion
from audit.monitoring.cumulative import CumulativeSeries, cumulative_for
from audit.monitoring.funnel import FunnelChoices, FunnelFound, funnel_for
from audit.monitoring.series import MonitoredSeries, all_points, monitor
from audit.monitoring.settings import DEFAULTS, MonitoringSettings
from audit.notebook_display import show_figure, show_text
from audit.pages.showing import show
from audit.release.run_files import save_chart_points
from audit.run import AuditRun
from audit.tables import monitoring as tables

POINTS_NOTE = (
    "Charts by quarter. The points of charts of single cases and of gaps between events, with "
    "their lines and signals, are in `chart_points.csv`."
)


def follow(
    run: AuditRun, *, settings: MonitoringSettings = DEFAULTS
) -> tuple[MonitoredSeries, ...]:
    """Every criterion of the register over time, for the cells below."""
    criteria = run.kept_register.criteria
    return monitor(run.cohort, run.measured, criteria, quarter=run.quarter, settings=settings)


def show_changes(run: AuditRun, followed: Sequence[MonitoredSeries]) -> None:
    """Changes of the service, then two tables with one line a criterion."""
    show(tables.service_event_table(run.cohort))
    show(tables.change_table(followed))
    show(tables.reach_table(followed))


def show_charts(followed: Sequence[MonitoredSeries]) -> None:
    """The chart of every criterion."""
    for series in followed:
        show_figure(
            figures.measure_over_time(series),
            name=_name("chart", series.criterion),
            caption=f"{series.criterion.words}: {series.plan.chart_name}, the last "
            f"{series.settings.window_quarters} quarters. Over time: {series.change.answer}.",
            alt=figures.measure_over_time_alt(series),
        )


def show_chart_points(followed: Sequence[MonitoredSeries]) -> None:
    """The points of the charts by quarter as tables; those of single cases and gaps, of which
    there can be hundreds, are in chart_points.csv alone (`save_points`)."""
    show_text(POINTS_NOTE)
    for series in followed:
        if series.plan.by_period and not series.points.empty:
            show(tables.points_table(series))


def save_points(followed: Sequence[MonitoredSeries], out: str | None) -> None:
    """Write chart_points.csv, every point of every chart, into `out`; nothing when it is None."""
    save_chart_points(all_points(followed), out)


def show_funnels(run: AuditRun, *, choices: FunnelChoices | None = None) -> None:
    """Policy and checks, then the funnel of every share, or why there is none."""
    shares = [one for one in run.kept_register.criteria if one.statistic == "proportion"]
    if not shares:
        show_text("No criterion of the register is a share, so there is no funnel.")
    for criterion in shares:
        found = funnel_for(
            run.cohort, run.measured, criterion, quarter=run.quarter, choices=choices
        )
        show(tables.funnel_policy_table(found))
        show(tables.funnel_check_table(found))
        _show_funnel(found)
        show(tables.funnel_unit_table(found))


def _show_funnel(found: FunnelFound) -> None:
    if found.limits is None or found.positions is None:
        return
    label = "Share that meets it" if found.criterion.direction == "at_least" else "Share with it"
    quarter = found.quarter
    show_figure(
        figures.funnel(
            found.limits,
            found.positions,
            title=f"{found.criterion.words}. Funnel by {found.by}, cases due by "
            f"{quarter.year} Q{quarter.quarter}",
            share_label=label,
        ),
        name=_name("funnel", found.criterion),
        caption=f"{found.criterion.words}: share by {found.by} against its number of cases, with "
        "exact binomial limits round the target. No ranking.",
        alt=figures.funnel_alt(found.limits, found.positions, share_label=label),
    )


def show_cumulative(run: AuditRun, *, settings: MonitoringSettings = DEFAULTS) -> None:
    """Misses case by case against the target: one line a criterion, then the charts."""
    found = [
        cumulative_for(run.cohort, run.measured, one, quarter=run.quarter, settings=settings)
        for one in run.kept_register.criteria
        if one.statistic == "proportion"
    ]
    show(tables.cumulative_table(found))
    for series in found:
        if not series.table.empty:
            _show_sum(series)


def _show_sum(series: CumulativeSeries) -> None:
    show_figure(
        figures.cumulative_misses(series),
        name=_name("misses", series.criterion),
        caption=f"{series.criterion.words}: misses case by case, observed minus allowed by the "
        f"target, and the CUSUM with its limit. {series.found.answer.capitalize()}.",
        alt=figures.cumulative_misses_alt(series),
    )


def _name(start: str, criterion: Criterion) -> str:
    return tables.named(start, criterion.id)
