"""service_events: what changed in the service, one row a change or a decision."""

from schemas.fields import column, table

SERVICE_EVENTS = table(
    "service_events",
    {
        "happened_on": column(
            "day", "Happened on", "Day of the change or of the decision.", required=True
        ),
        "label": column(
            "text",
            "What changed",
            "A few words that stand under the charts; never a name.",
            required=True,
        ),
        "kind": column(
            "code",
            "Kind",
            "A change is marked on charts; a rebase is a decision to recompute limits.",
            required=True,
            codes="service_event",
        ),
        "criterion": column(
            "text",
            "Criterion",
            "Id of the criterion it concerns; empty: all of them.",
            expected="optional",
        ),
        "cause": column(
            "text", "Cause", "Why the process changed; a rebase needs it.", expected="optional"
        ),
        "decided_by": column(
            "text",
            "Decided by",
            "Role that decided, never a name; a rebase needs it.",
            expected="optional",
        ),
    },
    key=None,
    meaning="What changed in the service: one row a change or a decision to recompute limits.",
)
