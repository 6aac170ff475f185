"""Full weight bearing looked at in other ways, cell by cell."""

from __future__ import annotations

from audit import figures
from audit.notebook_display import show_figure
from audit.pages.showing import show
from audit.results.courses import curves_by
from audit.results.walking import TIME, walking_incidence, walking_interval_curve
from audit.run import AuditRun
from audit.tables import walking

LABEL = "Patients bearing full weight"


def show_competing(run: AuditRun) -> None:
    """Cumulative incidence of full weight bearing beside 1 minus Kaplan-Meier, then its table."""
    incidence = walking_incidence(run.cohort)
    curve = curves_by(run.cohort, TIME)["All"]
    fewest = run.cohort.settings.minimum_at_risk
    show_figure(
        figures.incidence_beside_complement(
            incidence,
            curve,
            title="Full weight bearing, death and amputation competing",
            unit="days",
            share_label=LABEL,
            minimum_at_risk=fewest,
        ),
        name="walking_incidence",
        caption="Share of patients bearing full weight by days from surgery: cumulative incidence, "
        "where death and amputation compete, beside 1 minus Kaplan-Meier.",
        alt=figures.incidence_beside_complement_alt(
            incidence, curve, unit="days", share_label=LABEL, minimum_at_risk=fewest
        ),
    )
    show(walking.competing_table(run))


def show_interval(run: AuditRun) -> None:
    """The curve on the day first seen beside the one between visits, then their table."""
    curve = curves_by(run.cohort, TIME)["All"]
    between = walking_interval_curve(run.cohort)
    show_figure(
        figures.date_seen_and_interval(
            curve,
            between,
            title="Full weight bearing, day first seen and between visits",
            unit="days",
            share_label=LABEL,
            minimum_at_risk=run.cohort.settings.minimum_at_risk,
        ),
        name="walking_interval",
        caption="Share of patients bearing full weight by days from surgery: by the visit at which "
        "it was first seen, and what the visits allow.",
        alt=figures.date_seen_and_interval_alt(curve, between, unit="days", share_label=LABEL),
    )
    show(walking.interval_table(run))


def show_sensitivity(run: AuditRun) -> None:
    """Median times under the other definitions."""
    show(walking.sensitivity_table(run))


def show_follow_up(run: AuditRun) -> None:
    """How long and how completely patients were followed."""
    show(walking.follow_up_table(run))
