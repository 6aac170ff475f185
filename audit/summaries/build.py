"""The summary tables of a run for a period: exact, before anything is done to let them leave."""

from __future__ import annotations

from audit.run import AuditRun
from audit.summaries.choices import DEFAULTS, SummaryChoices
from audit.summaries.cohort_tables import cohort_tables
from audit.summaries.complications import complication_tables
from audit.summaries.facts import facts_of
from audit.summaries.outcomes import outcome_tables
from audit.summaries.quality import quality_tables
from audit.summaries.standards import standard_tables
from audit.summaries.table import SummaryTable
from audit.summaries.walking import walking_tables


def summary_tables(
    run: AuditRun, *, period: str = "year_to", choices: SummaryChoices = DEFAULTS
) -> tuple[SummaryTable, ...]:
    """Every summary table of a run, in the order in which people meet them.

    period: year_to (operations of the four quarters that end with the run's quarter, the default
    for what leaves), quarter, or all; ValueError for another. Follow-up of these operations goes to
    the cut-off. A criterion counts by its own index date. Nothing about a surgeon, nothing about
    one case; what the source has no table for is there without numbers, and a note says so.
    """
    facts = facts_of(run, period, choices)
    return (
        *cohort_tables(facts),
        *outcome_tables(facts),
        *complication_tables(facts),
        *standard_tables(facts),
        *walking_tables(facts),
        *quality_tables(facts),
    )
