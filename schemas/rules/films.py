"""Rules between the films of one case: cortices, spacing, axis and angles."""

from __future__ import annotations

import numpy as np
import pandas as pd

from schemas.fields import LOCAL
from schemas.rules.base import Evidence, Rule
from schemas.rules.linking import Timeline, case_dates, day_count, rows_marked, timeline

#: longest time without a film while bone is being distracted
FILM_GAP_DAYS = 21
#: lateral shift of the axis by lengthening a femur along its anatomical axis, mm per cm
LATERAL_SHIFT = 3.5
LEAST_GAIN_MM = 10


def _films(evidence: Evidence, column: str) -> tuple[Timeline, np.ndarray]:
    """Films that have a value in a column, in order, and those values."""
    line = timeline(evidence, "radiographs")
    values = evidence["radiographs"][column].to_numpy(dtype="float64")[line.rows]
    given = ~np.isnan(values)
    return line.keep(given), values[given]


def _cortices_fell(evidence: Evidence) -> pd.Series:
    line, cortices = _films(evidence, "cortices_bridged")
    after_surgery = line.day > case_dates(evidence, "surgery_date", line)
    line, cortices = line.keep(after_surgery), cortices[after_surgery]
    fell = np.zeros(len(cortices), dtype=bool)
    fell[1:] = line.follows[1:] & (cortices[1:] < cortices[:-1]) & (line.day[1:] > line.day[:-1])
    return rows_marked(evidence["radiographs"], line.rows[fell])


def _days_without_film(evidence: Evidence) -> pd.Series:
    """True for a film that closes over 21 days of distraction, seen by this service, without one.

    A case still in distraction has no end; a healed case without an end is not judged.
    """
    line = timeline(evidence, "radiographs")
    cases = evidence["cases"]
    arrived = cases["arrival_date"]
    start = cases["distraction_start_date"].where(
        ~(arrived > cases["distraction_start_date"]), arrived
    )
    ongoing = cases["outcome_status"].isin(["in_treatment"]) & cases["union_date"].isna()
    end = cases["distraction_end_date"].mask(
        ongoing & cases["distraction_end_date"].isna(), evidence.latest_day
    )
    first, last = (dates.to_numpy("datetime64[D]")[line.case] for dates in (start, end))
    previous = first.copy()
    previous[1:] = np.where(line.follows[1:], np.maximum(line.day[:-1], first[1:]), first[1:])
    unseen = day_count(np.minimum(line.day, last) - previous) > FILM_GAP_DAYS
    return rows_marked(evidence["radiographs"], line.rows[unseen])


def _axis_against_angles(evidence: Evidence) -> pd.Series:
    films = evidence["radiographs"]
    varus = films["mldfa_deg"] - films["mpta_deg"]
    medial = films["mechanical_axis_deviation_mm"]
    return ((varus > 10) & (medial < -10)) | ((varus < -10) & (medial > 10))


def _axis_moved_far(evidence: Evidence) -> pd.Series:
    line, medial = _films(evidence, "mechanical_axis_deviation_mm")
    cases = evidence["cases"]
    femur = cases["segment"].isin(["femur"]).to_numpy()[line.case]
    gain = cases["achieved_gain_mm"].to_numpy()[line.case]
    before = line.day <= case_dates(evidence, "surgery_date", line)
    after = line.day > case_dates(evidence, "distraction_end_date", line)
    baseline = np.full(len(cases), np.nan)
    baseline[line.case[before]] = medial[before]
    lateral = baseline[line.case] - medial
    far = femur & after & (gain >= LEAST_GAIN_MM) & (lateral > LATERAL_SHIFT * gain / 10)
    last = np.ones(len(line.rows), dtype=bool)
    last[:-1] = ~line.follows[1:]
    return rows_marked(evidence["radiographs"], line.rows[far & last])


FILM_RULES: tuple[Rule, ...] = (
    Rule(
        id="cortices_fell",
        table="radiographs",
        column="cortices_bridged",
        severity="warning",
        message="Check the cortices on this film and the one before, and enter a complication if "
        "the bone broke: bridged cortices do not come undone by themselves.",
        source=LOCAL,
        fails=_cortices_fell,
    ),
    Rule(
        id="long_without_film",
        table="radiographs",
        column="taken_on",
        severity="warning",
        message="Enter the films that are missing, or check this date: distraction went on for "
        "more than 21 days without a film.",
        source=LOCAL,
        fails=_days_without_film,
    ),
    Rule(
        id="axis_disagrees_with_angles",
        table="radiographs",
        column="mechanical_axis_deviation_mm",
        severity="warning",
        message="Check the sign of the axis deviation (positive is medial) and both angles: they "
        "point to opposite sides.",
        source="geometry: mLDFA above MPTA means varus, with the axis medial; from memory",
        fails=_axis_against_angles,
    ),
    Rule(
        id="axis_moved_far_laterally",
        table="radiographs",
        column="mechanical_axis_deviation_mm",
        severity="warning",
        message="Check the axis deviation on this film and before surgery: it moved laterally "
        "more than lengthening a femur explains.",
        source="0-3.5 mm lateral per cm of femoral gain: Burghardt et al. 2012, PMID 22933497",
        fails=_axis_moved_far,
    ),
)
