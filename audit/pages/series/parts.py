"""Tables and figures of the paper beside those of the outcomes: flow, choices, published values."""

from __future__ import annotations

import pandas as pd

from audit.figures.flow import flow_diagram, flow_diagram_alt
from audit.figures.published import (
    published_beside,
    published_beside_alt,
    published_pages,
)
from audit.figures.sensitivity import sensitivity_forest, sensitivity_forest_alt
from audit.pages.series.drawn import Drawn
from audit.series.case_series import CaseSeries
from audit.series.complete_records import compare_complete
from audit.series.effective_size import effective_sizes
from audit.series.flow import whole_flow
from audit.tables import published, series_flow, series_records
from audit.tables import series_sensitivity as choices
from audit.tables.shown import ShownTable

FLOW_TITLE = "Flow of cases into the series"
#: outcomes of the two figures of choices; the tables hold the others too
DRAWN_TIMES = tuple(choices.TIMES)[:4]
DRAWN_SHARES = tuple(key for key in choices.OTHERS if key[1] in (choices.PROPORTION, "reached_by"))


def flow_tables(series: CaseSeries) -> tuple[ShownTable, ...]:
    """Flow, rules, period, follow-up, and who was followed long enough or lost."""
    return (
        series_flow.series_flow_table(series),
        series_flow.series_rules_table(series),
        series_flow.series_period_table(series),
        series_flow.series_follow_up_table(series),
        series_flow.series_followed_table(series),
        series_flow.series_last_seen_table(series),
    )


def flow_figure(series: CaseSeries) -> Drawn:
    """The flow diagram."""
    flow = whole_flow(series)
    return Drawn(
        "series_flow_diagram",
        "Flow of cases from the rows read to the series and their outcome at the cut-off.",
        flow_diagram_alt(flow, title=FLOW_TITLE),
        flow_diagram(flow, title=FLOW_TITLE),
    )


def sensitivity_tables(series: CaseSeries, results: pd.DataFrame) -> tuple[ShownTable, ...]:
    """The runs, their times and shares, what the cases are worth, complete against incomplete.

    results: from `sensitivity_results`.
    """
    run = series.run
    return (
        choices.sensitivity_runs(results),
        choices.sensitivity_times(results),
        choices.sensitivity_outcomes(results),
        series_records.effective_shown(effective_sizes(series)),
        series_records.complete_shown(compare_complete(run.cohort, run.measured)),
    )


def sensitivity_figures(results: pd.DataFrame) -> tuple[Drawn, ...]:
    """Times and shares under other choices as forests."""
    times = {key: choices.TIMES[key] for key in DRAWN_TIMES}
    shares = {key: choices.OTHERS[key] for key in DRAWN_SHARES}
    return (
        _forest(results, times, "times", "Times and healing under other choices"),
        _forest(results, shares, "shares", "Shares under other choices"),
    )


def _forest(
    results: pd.DataFrame, drawn: dict[tuple[str, str], str], name: str, title: str
) -> Drawn:
    rows = choices.shown_rows(results, drawn)
    return Drawn(
        f"series_sensitivity_{name}_forest",
        f"{title}: main analysis and sensitivity runs with their intervals.",
        sensitivity_forest_alt(rows),
        sensitivity_forest(rows, title=title),
    )


def published_tables(series: CaseSeries, beside: pd.DataFrame) -> tuple[ShownTable, ...]:
    """Published values beside ours, those that were refused, and their sources.

    beside: from `compare_published`.
    """
    return (
        published.published_table(beside, series.run.cohort.settings),
        published.published_refused_table(beside),
        published.published_sources_table(beside),
    )


def published_figures(beside: pd.DataFrame) -> tuple[Drawn, ...]:
    """Published values beside ours as forests, as many as stay legible on a page."""
    pages = published_pages(beside)
    return tuple(
        Drawn(
            "series_published_beside" if number == 1 else f"series_published_beside_{number}",
            "Our results beside published values of the same measure, device class and bones, with "
            "95% intervals where one can be made"
            + (f", part {number} of {len(pages)}." if len(pages) > 1 else "."),
            published_beside_alt(page),
            published_beside(page),
        )
        for number, page in enumerate(pages, start=1)
    )
