"""weight_bearing: one row an assessment of load and walking aid."""

from schemas.fields import column, table

WEIGHT_BEARING = table(
    "weight_bearing",
    {
        "case_id": column("identifier", "Case", "The case, as in the cases table.", required=True),
        "assessed_on": column("day", "Assessed on", "Day of the assessment.", required=True),
        "load": column("code", "Load", "Load allowed on the leg.", required=True, codes="load"),
        "aid": column("code", "Walking aid", "Aid in use.", codes="aid"),
    },
    key=None,
    meaning="One row an assessment of load and walking aid.",
)
