"""radiographs: one row a film that was measured."""

from schemas.fields import LOCAL, Limits, column, table

ANGLES = (
    "usual 85-90 degrees (PMC8458209, table 3, DOI 10.1007/s00167-020-06166-3), widened locally"
)

RADIOGRAPHS = table(
    "radiographs",
    {
        "case_id": column("identifier", "Case", "The case, as in the cases table.", required=True),
        "taken_on": column("day", "Taken on", "Day of the film.", required=True),
        "gain_mm": column(
            "number",
            "Gain",
            "Length gained, calibrated.",
            unit="mm",
            limits=Limits(low=-50, high=300, usual_low=-3, usual_high=130, source=LOCAL),
            expected="films after surgery",
        ),
        "cortices_bridged": column(
            "whole",
            "Cortices bridged",
            "Cortices bridged on two views, 0 to 4.",
            limits=Limits(low=0, high=4, source="two views, two cortices each: common practice"),
            expected="films while healing",
        ),
        "mechanical_axis_deviation_mm": column(
            "number",
            "Mechanical axis deviation",
            "Positive = axis medial to the knee centre.",
            unit="mm",
            limits=Limits(low=-150, high=150, usual_low=-40, usual_high=60),
            expected="optional",
        ),
        "mldfa_deg": column(
            "number",
            "mLDFA",
            "Mechanical lateral distal femoral angle.",
            unit="degrees",
            limits=Limits(low=50, high=130, usual_low=75, usual_high=100, source=ANGLES),
            expected="optional",
        ),
        "mpta_deg": column(
            "number",
            "MPTA",
            "Medial proximal tibial angle.",
            unit="degrees",
            limits=Limits(low=50, high=130, usual_low=75, usual_high=100, source=ANGLES),
            expected="optional",
        ),
    },
    key=None,
    meaning="One row a film that was measured.",
)
