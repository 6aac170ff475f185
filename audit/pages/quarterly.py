"""The quarterly audit, cell by cell."""

from __future__ import annotations

import pathlib

import pandas as pd

from audit import figures, wording
from audit.intake.demo import demo_source
from audit.notebook_display import show_cautions, show_figure
from audit.pages.showing import show
from audit.release.run_files import save_run
from audit.results.courses import at_risk_frame, curves_by, knee_points
from audit.run import AuditRun, Options, run_audit
from audit.tables import front, measures

TIMES = (0, 60, 90, 120, 180, 270, 365)


def start(
    source: str | None,
    *,
    quarter: str | None,
    cutoff: str | None,
    centre: str | None,
    standards: str | None = None,
) -> AuditRun:
    """Run the audit on a source (None: the demo data)."""
    home: str | pathlib.Path = demo_source() if source is None else source
    return run_audit(
        home, quarter=quarter, cutoff=cutoff, centre=centre, options=Options(standards=standards)
    )


def show_coverage(run: AuditRun) -> None:
    """Period, cut-off, patients, limbs, cases; then the cautions."""
    show(front.coverage_table(run))
    show_cautions(front.CAUTIONS)


def show_queries(run: AuditRun) -> None:
    """Data queries by rule."""
    show(front.query_table(run.cohort))


def show_flow(run: AuditRun) -> None:
    """From rows read to the cohort."""
    show(front.flow_table(run.cohort))


def show_actions(run: AuditRun) -> None:
    """Actions, overdue first."""
    show(front.action_table(run))


def show_standards(run: AuditRun) -> None:
    """Criteria, targets and verdicts."""
    show(front.verdict_table(run))


def show_measure(run: AuditRun, measure: str) -> None:
    """A measure by device class and segment: cases and means as a figure, then the table."""
    table = measures.number_table(run, measure)
    title, unit = table.caption.split(" (")[0], measures.BY_NAME[measure].unit
    rows = measures.rows_of(run, measure, "all", "device_class+segment")
    show_figure(
        figures.measure_by_group(run.measured, rows, measure=measure, title=title, unit=unit),
        name=measure,
        caption=f"{title} of every case, with the mean and its 95% interval by device and bone.",
        alt=figures.measure_by_group_alt(rows, measure=measure, title=title, unit=unit),
    )
    show(table)


def show_time(run: AuditRun, name: str) -> None:
    """Median and quartile times of a time to an event, waiting cases kept in."""
    show(measures.time_summary_table(run, name))


def show_planned_against_achieved(run: AuditRun) -> None:
    """Achieved against planned: agreement figure and its numbers."""
    rows = measures.rows_of(run, "gain_agreement_mm", "all", "all")
    tolerance = run.cohort.settings.tolerance_mm
    show_figure(
        figures.planned_against_achieved(run.measured, rows, tolerance_mm=tolerance),
        name="planned_against_achieved",
        caption="Achieved against planned gain, and their difference with limits of agreement.",
        alt=figures.planned_against_achieved_alt(run.measured, rows, tolerance_mm=tolerance),
    )
    show(measures.agreement_table(run))


def show_within_tolerance(run: AuditRun) -> None:
    """Share of cases within tolerance of the plan."""
    tolerance = wording.rounded(run.cohort.settings.tolerance_mm, 0)
    caption = f"Cases that ended distraction within {tolerance} mm of the plan, all time"
    show(measures.share_table(run, "gain_within_tolerance", caption=caption))


def show_knee(run: AuditRun) -> None:
    """Knee flexion through treatment, and what was kept."""
    points = knee_points(run.measured)
    show_figure(
        figures.knee_course(points),
        name="knee_course",
        caption="Knee flexion at baseline, at its worst, at union and when last seen: median and "
        "quartiles by device class.",
        alt=figures.knee_course_alt(points),
    )
    show(measures.number_table(run, "knee_flexion_retention_pct"))


def show_complications(run: AuditRun) -> None:
    """Complications: rates by kind as a figure, then both tables."""
    results = run.results
    kinds = ["origin", "course_class", "severity_type"]
    rows = results.loc[
        (results["measure"] == "complications_per_100_cases")
        & (results["window"] == "all")
        & results["group_by"].isin(kinds)
    ]
    show_figure(
        figures.complication_rates(rows),
        name="complication_rates",
        caption="Complications per 100 cases by origin, course class and severity type, with 95% "
        "intervals.",
        alt=figures.complication_rates_alt(rows),
    )
    show(measures.complication_table(run))
    show(measures.split_table(run))


def show_time_to_full_weight_bearing(run: AuditRun) -> None:
    """The curve of time to full weight bearing, its at-risk table and its summary."""
    curves = curves_by(run.cohort, "time_to_full_weight_bearing", "device_class")
    label = "Patients bearing full weight"
    fewest = run.cohort.settings.minimum_at_risk
    show_figure(
        figures.time_curves(
            curves,
            title="Time to full weight bearing",
            unit="days",
            share_label=label,
            minimum_at_risk=fewest,
            at=TIMES,
        ),
        name="time_to_full_weight_bearing",
        caption="Share of patients bearing full weight by days from surgery, one line a device "
        "class; one patient learning to walk once counts once.",
        alt=figures.time_curves_alt(curves, unit="days", share_label=label, minimum_at_risk=fewest),
    )
    show(measures.at_risk_table(at_risk_frame(curves, TIMES)))
    show(measures.time_summary_table(run, "time_to_full_weight_bearing"))


def show_discussion(run: AuditRun) -> None:
    """The cases to discuss."""
    show(front.discussion_table(run))


def show_methods(run: AuditRun) -> None:
    """Every method named in the results, with how many estimates it gave."""
    show(measures.method_table(run))


def counts_add_up(run: AuditRun) -> bool:
    """True when the flow adds up to the rows read, every table's rows are accounted for, n and
    missing make up each group, and no estimate lies outside its interval."""
    flow, rows, results = run.cohort.flow, run.cohort.rows, run.results
    read = flow.loc[flow["step"] == "read", "cases"].sum()
    parts = rows[["used", "later", "kept_out", "other_centre"]].sum(axis=1)
    whole = results.loc[(results["window"] == "all") & (results["group_by"] == "all")]
    groups = whole.loc[whole["measure"] == "gain_error_mm", ["n", "missing"]].sum(axis=1)
    outside = (results["value"] < results["low"] - 1e-9) | (
        results["value"] > results["high"] + 1e-9
    )
    return bool(
        flow.loc[flow["step"] != "read", "cases"].sum() == read
        and (parts == rows["read"]).all()
        and (groups == len(run.measured)).all()
        and not outside.any()
    )


def save(run: AuditRun, out: str | None) -> None:
    """Write the files of the run into `out`; nothing when it is None."""
    save_run(run, out)


def result(
    run: AuditRun, measure: str, statistic: str, group_by: str = "all", group: str = "all"
) -> pd.Series:
    """One row of the results over all time, to look at or to check a number."""
    rows = measures.rows_of(run, measure, "all", group_by)
    return rows.loc[(rows["group"] == group) & (rows["statistic"] == statistic)].iloc[0]
