"""What we told them, and what we may tell the next family: cells of a notebook."""

from __future__ import annotations

from audit import figures
from audit.notebook_display import show_cautions, show_figure
from audit.pages.showing import show
from audit.results.counsel import calibration
from audit.run import AuditRun
from audit.tables import counsel


def show_promises(run: AuditRun) -> None:
    """Share walking by the promised week: caution, figure and table."""
    told = calibration(run.cohort)
    show_cautions(counsel.CAUTIONS)
    show_figure(
        figures.promised_against_happened(told),
        name="promised_against_happened",
        caption="Share of walking episodes with full weight bearing by the promised week, by what "
        "was promised, with 95% intervals.",
        alt=figures.promised_against_happened_alt(told),
    )
    show(counsel.promise_table(told))


def show_own_times(run: AuditRun) -> None:
    """The service's own times to full weight bearing, with the caution beside them."""
    show_cautions(counsel.CAUTIONS)
    for table in counsel.own_time_tables(run):
        show(table)
