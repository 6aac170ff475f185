"""actions: the audit loop, one row an action."""

from schemas.fields import column, table

#: how the decision to do nothing begins, so that it can be told from an action
NO_ACTION = "No action, because"

ACTIONS = table(
    "actions",
    {
        "action_id": column("identifier", "Action", "Key of the action.", required=True),
        "raised_on": column("day", "Raised on", "Day it was agreed.", required=True),
        "criterion": column("text", "Criterion", "The criterion it answers.", required=True),
        "action": column(
            "text",
            "Action",
            f'What will be done; or why nothing will, beginning with "{NO_ACTION}".',
            required=True,
        ),
        "owner_role": column("text", "Owner", "Role that does it, never a name."),
        "due_on": column(
            "day",
            "Due on",
            "Day it should be done by; of a decision to do nothing, the day to look again.",
        ),
        "closed_on": column("day", "Closed on", "Day it was done.", expected="optional"),
    },
    key="action_id",
    meaning="The audit loop: one row an action.",
)
