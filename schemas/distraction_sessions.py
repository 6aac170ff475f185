"""distraction_sessions: one row a home or clinic session."""

from schemas.fields import LOCAL, Limits, column, table

SESSION = Limits(
    low=-5,
    high=3,
    usual_low=-1,
    usual_high=1.5,
    source="at most 3 mm a day; risk of poor bone rises above 1.5 mm/day (Kenawey M et al. Clin "
    "Orthop Relat Res 2011;469:264-273); as limits of one session: local choice",
)

DISTRACTION_SESSIONS = table(
    "distraction_sessions",
    {
        "case_id": column("identifier", "Case", "The case, as in the cases table.", required=True),
        "started_at": column("moment", "Started at", "Day and time of the session.", required=True),
        "prescribed_mm": column(
            "number",
            "Prescribed",
            "Length prescribed for the session.",
            unit="mm",
            limits=Limits(low=-5, high=3, usual_low=-1, usual_high=1.5, source=LOCAL),
            expected="optional",
        ),
        "delivered_mm": column(
            "number",
            "Delivered",
            "Length delivered; negative = reversal.",
            required=True,
            unit="mm",
            limits=SESSION,
        ),
    },
    key=None,
    meaning="One row a home or clinic session.",
)
