"""joint_motion: one row an examination of one joint."""

from schemas.fields import LOCAL, Limits, column, table

JOINT_MOTION = table(
    "joint_motion",
    {
        "case_id": column("identifier", "Case", "The case, as in the cases table.", required=True),
        "examined_on": column(
            "day",
            "Examined on",
            "Day of the examination; the last on or before surgery is the baseline.",
            required=True,
        ),
        "joint": column("code", "Joint", "Joint examined.", required=True, codes="joint"),
        "flexion_deg": column(
            "number",
            "Flexion",
            "Flexion reached.",
            unit="degrees",
            limits=Limits(
                low=-30,
                high=170,
                usual_low=0,
                usual_high=160,
                source="knee 0-170 hard, above 160 asked (Soucie JM et al. Haemophilia "
                "2011;17:500-507, widened locally)",
            ),
        ),
        "extension_deficit_deg": column(
            "number",
            "Extension deficit",
            "Positive = short of full extension.",
            unit="degrees",
            limits=Limits(low=-30, high=120, usual_low=-15, usual_high=60, source=LOCAL),
            expected="knee examinations",
        ),
    },
    key=None,
    meaning="One row an examination of one joint.",
)
