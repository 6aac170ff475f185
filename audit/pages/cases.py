"""The courses of the cases to discuss: cells of a notebook."""

from __future__ import annotations

from audit import figures
from audit.discussion import cases_to_discuss
from audit.measures.course import case_course
from audit.notebook_display import show_figure, show_text
from audit.pages.showing import show
from audit.run import AuditRun
from audit.tables.cases import heaviest_cases, rhythm_table


def show_case_courses(run: AuditRun, *, most: int = 20) -> None:
    """The course of each case to discuss, the heaviest first, then the rhythm of the sessions.

    most: so many are drawn; how many more there are is said.
    """
    reasons = heaviest_cases(run, most=most)
    if reasons.empty:
        show_text("No case of the quarter asks to be discussed, so no course is drawn.")
    for place, (case_id, why) in enumerate(reasons.items(), start=1):
        course = case_course(run.cohort, str(case_id))
        show_figure(
            figures.case_course(course),
            name=f"case_course_{place}",
            caption=f"Course of case {case_id} in days from surgery. To discuss: {why}.",
            alt=figures.case_course_alt(course),
        )
    others = cases_to_discuss(run)["case_id"].nunique() - len(reasons)
    if others:
        show_text(f"Not drawn, but in the table of cases to discuss: {others} more.")
    show(rhythm_table(run))
