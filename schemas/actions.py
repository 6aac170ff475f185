"""actions: the audit loop, one row an action."""

from schemas.fields import column, table

ACTIONS = table(
    "actions",
    {
        "action_id": column("identifier", "Action", "Key of the action.", required=True),
        "raised_on": column("day", "Raised on", "Day it was agreed.", required=True),
        "criterion": column("text", "Criterion", "The criterion it answers.", required=True),
        "action": column("text", "Action", "What will be done.", required=True),
        "owner_role": column(
            "text", "Owner", "Role that does it, never a name.", expected="optional"
        ),
        "due_on": column("day", "Due on", "Day it should be done by.", expected="optional"),
        "closed_on": column("day", "Closed on", "Day it was done.", expected="optional"),
    },
    key="action_id",
    meaning="The audit loop: one row an action.",
)
