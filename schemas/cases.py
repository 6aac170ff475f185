"""cases: one row = one bone segment lengthened in one treatment episode."""

from schemas.fields import LOCAL, Limits, column, table

AGE = Limits(
    low=0,
    high=100,
    usual_low=3,
    usual_high=75,
    source="nail series report 8-74 years (Frost MW et al. Acta Orthop 2021;92:120-127) and frame "
    "series children from 5 years (Indian J Orthop 2016;50:397-405); limits local choice",
)
PLAN = Limits(low=1, high=300, usual_low=10, usual_high=120, source=LOCAL)
GAIN = Limits(low=-50, high=300, usual_low=0, usual_high=130, source=LOCAL)

CASES = table(
    "cases",
    {
        "case_id": column("identifier", "Case", "Pseudonym of the case.", required=True),
        "patient_id": column(
            "identifier", "Patient", "The patient, as in the patients table.", required=True
        ),
        "centre": column(
            "text", "Centre", "Code of the centre, never a name.", expected="optional"
        ),
        "surgeon": column(
            "text", "Surgeon", "Code of the surgeon, never a name.", expected="optional"
        ),
        "side": column("code", "Side", "Side of the lengthened bone.", codes="side"),
        "segment": column(
            "code", "Segment", "Bone segment lengthened.", required=True, codes="segment"
        ),
        "device_class": column(
            "code",
            "Device class",
            "Kind of device, never a brand.",
            required=True,
            codes="device_class",
        ),
        "nail_approach": column(
            "code", "Nail approach", "Way in for a nail.", codes="nail_approach", expected="nails"
        ),
        "age_at_surgery_years": column(
            "number",
            "Age at surgery",
            "Age on the day of surgery.",
            required=True,
            unit="years",
            limits=AGE,
        ),
        "physes_open": column(
            "code",
            "Physes open",
            "Whether growth plates are open.",
            codes="yes_no",
            expected="under 18 years",
        ),
        "surgery_date": column(
            "day", "Surgery", "Day of osteotomy and device insertion: day 0.", required=True
        ),
        "planned_gain_mm": column(
            "number",
            "Planned gain",
            "The length planned before surgery; never edited afterwards.",
            required=True,
            unit="mm",
            limits=PLAN,
        ),
        "device_stroke_mm": column(
            "number",
            "Device stroke",
            "Most that the device can lengthen.",
            unit="mm",
            limits=Limits(low=5, high=300, usual_low=20, usual_high=150),
            expected="lengthening nails",
        ),
        "segment_length_before_mm": column(
            "number",
            "Bone length before",
            "Length of the segment before this episode.",
            unit="mm",
            limits=Limits(low=30, high=700, usual_low=100, usual_high=560),
        ),
        "discrepancy_before_mm": column(
            "number",
            "Discrepancy before",
            "Limb-length discrepancy before surgery.",
            unit="mm",
            limits=Limits(low=-300, high=300, usual_low=-5, usual_high=200),
            expected="optional",
        ),
        "counselled_full_weight_bearing_weeks": column(
            "number",
            "Promised weeks to full weight bearing",
            "What the family was told before surgery.",
            unit="weeks",
            limits=Limits(low=1, high=150, usual_low=4, usual_high=78),
            expected="walking bones",
        ),
        "distraction_start_date": column(
            "day",
            "Distraction start",
            "First day of distraction.",
            expected="distraction begun",
        ),
        "distraction_end_date": column(
            "day", "Distraction end", "Last day of distraction.", expected="distraction over"
        ),
        "achieved_gain_mm": column(
            "number",
            "Achieved gain",
            "Gain on a calibrated film at the end of distraction.",
            unit="mm",
            limits=GAIN,
            expected="after distraction",
        ),
        "final_gain_mm": column(
            "number",
            "Final gain",
            "Gain on the last film (length can be lost after distraction).",
            unit="mm",
            limits=GAIN,
            expected="completed",
        ),
        "union_date": column(
            "day",
            "Union",
            "First film that meets the union rule (default: three of four cortices bridged on two "
            "views).",
            expected="completed",
        ),
        "full_weight_bearing_date": column(
            "day",
            "Full weight bearing",
            "First clinic day on which full load without aids was allowed.",
            expected="completed on a walking bone",
        ),
        "fixator_removal_date": column(
            "day",
            "Fixator removal",
            "Day the external fixator came off.",
            expected="completed with a fixator",
        ),
        "device_removal_date": column(
            "day", "Device removal", "Day the internal device was removed.", expected="optional"
        ),
        "last_follow_up_date": column(
            "day", "Last follow-up", "Last day the case was seen.", required=True
        ),
        "outcome_status": column(
            "code",
            "Outcome status",
            "State of the treatment.",
            required=True,
            codes="outcome_status",
        ),
        "outcome_date": column(
            "day", "Outcome date", "Day of the outcome status.", expected="treatment ended"
        ),
        "arrival_date": column(
            "day",
            "Arrival",
            "First day under this service for a patient taken over in mid-treatment; empty = day "
            "of surgery.",
            expected="optional",
        ),
    },
    key="case_id",
    meaning="One row = one bone segment lengthened in one treatment episode.",
)
