"""Two groups compared, cell by cell: who they are stands before any result."""

from __future__ import annotations

from audit import figures
from audit.notebook_display import show_cautions, show_figure
from audit.pages.showing import show
from audit.results.comparison import GroupComparison, compare_groups
from audit.run import AuditRun
from audit.tables import comparison as tables
from audit.tables import comparison_weights as weighted

TIMES = (0, 60, 90, 120, 180, 270, 365)


def show_comparison(
    run: AuditRun,
    *,
    first: str = "lengthening_nail",
    second: str = "circular_fixator",
    segment: str | None = "tibia",
) -> None:
    """Two device classes on one bone (None: both): cautions, baseline table, curves, results.

    Raises ValueError for a device class or bone that is not in the code lists.
    """
    found = compare_groups(run.cohort, first=first, second=second, segment=segment)
    show_cautions(tables.CAUTIONS)
    show(tables.baseline_shown(found))
    _show_curves(run, found)
    show(tables.result_shown(found))
    show(weighted.weighted_baseline_shown(found))
    show(weighted.waiting_shown(found))


def _show_curves(run: AuditRun, found: GroupComparison) -> None:
    curves = dict(zip(tables.pair_words(found), found.curves.values(), strict=True))
    label, fewest = "Patients bearing full weight", run.cohort.settings.minimum_at_risk
    show_figure(
        figures.time_curves(
            curves,
            title="Time to full weight bearing",
            unit="days",
            share_label=label,
            minimum_at_risk=fewest,
            at=TIMES,
        ),
        name="comparison_curves",
        caption="Share of patients bearing full weight by days from surgery in the two groups, "
        "not adjusted: the groups were used for different patients.",
        alt=figures.time_curves_alt(curves, unit="days", share_label=label, minimum_at_risk=fewest),
    )
