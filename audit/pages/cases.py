"""The courses of the cases to discuss: cells of a notebook."""

from __future__ import annotations

from audit import figures
from audit.measures.course import case_course
from audit.notebook_display import show_figure, show_text
from audit.pages.showing import show
from audit.run import AuditRun
from audit.tables.cases import heaviest_cases, rhythm_table


def show_case_courses(run: AuditRun, *, most: int = 4) -> None:
    """The course of each of the heaviest cases to discuss, then the rhythm of the sessions."""
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
    show(rhythm_table(run))
