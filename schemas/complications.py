"""complications: one row an event."""

from schemas.fields import column, table

COMPLICATIONS = table(
    "complications",
    {
        "complication_id": column(
            "identifier", "Complication", "Pseudonym of the event.", required=True
        ),
        "case_id": column("identifier", "Case", "The case, as in the cases table.", required=True),
        "occurred_on": column("day", "Occurred on", "Day of the event.", required=True),
        "origin": column(
            "code", "Origin", "Tissue or thing it arose from.", required=True, codes="origin"
        ),
        "description": column(
            "text",
            "Description",
            "Short words; never shown outside the department.",
            expected="optional",
        ),
        "unplanned_operation": column(
            "code",
            "Unplanned operation",
            "Whether it led to an operation that was not planned.",
            required=True,
            codes="yes_no",
        ),
        "resolved_on": column(
            "day", "Resolved on", "Day it was over.", expected="events of completed cases"
        ),
        "permanent": column(
            "code",
            "Permanent",
            "Whether it left a lasting effect.",
            codes="yes_no",
            expected="events that are over",
        ),
        "course_class": column(
            "code",
            "Course class",
            "Problem, obstacle or complication (Paley 1990).",
            codes="course_class",
        ),
        "severity_type": column(
            "code", "Severity type", "Type I to IIIB (Black 2015).", codes="severity_type"
        ),
        "pin_site_grade": column(
            "text", "Pin-site grade", "Grade in the scheme named beside it.", expected="optional"
        ),
        "pin_site_scheme": column(
            "text", "Pin-site scheme", "Name of the grading scheme.", expected="graded pin sites"
        ),
    },
    key="complication_id",
    meaning="One row an event.",
)
