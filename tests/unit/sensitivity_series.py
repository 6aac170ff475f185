"""Small and demo series for the tests of the sensitivity runs."""

from __future__ import annotations

import pandas as pd

from audit.intake.series_plan import read_series_plan
from audit.measures import measure_cases
from audit.results import result_table
from audit.run import AuditRun
from audit.series.case_series import CaseSeries
from audit.series.sensitivity import sensitivity_results

CASES = """
case_id patient_id side  segment device_class     surgery_date distraction_start_date distraction_end_date achieved_gain_mm union_date full_weight_bearing_date last_follow_up_date outcome_status    outcome_date age_at_surgery_years planned_gain_mm
A1      P1         right femur   lengthening_nail 2025-01-01   2025-01-06             2025-02-20           40               2025-05-01 2025-05-01               2025-12-01          completed         2025-12-01   30 42
A2      P1         left  femur   lengthening_nail 2025-01-11   2025-01-18             2025-03-05           40               2025-05-20 2025-05-11               2025-12-01          completed         2025-12-01   30 48
B1      P2         left  femur   lengthening_nail 2025-02-01   2025-02-06             2025-03-20           40               -          -                        2025-05-01          lost_to_follow_up 2025-05-01   30 60
C1      P3         left  tibia   circular_fixator 2025-03-01   -                      -                    -                -          -                        2025-04-01          in_treatment      -            30 50
"""
FILMS = """
case_id taken_on   cortices_bridged
A1      2025-02-10 2
A1      2025-04-01 2
A1      2025-05-01 3
A1      2025-06-01 4
A2      2025-05-20 3
B1      2025-04-10 1
"""


def series_of(cohort) -> CaseSeries:
    measured = measure_cases(cohort)
    run = AuditRun(
        cohort=cohort,
        measured=measured,
        results=result_table(cohort, measured),
        standards=pd.DataFrame(),
        quarter=pd.Period("2025Q4", freq="Q"),
        parameters={},
    )
    return whole_series(run)


def whole_series(run: AuditRun) -> CaseSeries:
    """The run as a series in which every case is selected by the kit's own plan."""
    empty = pd.DataFrame()
    return CaseSeries(run=run, plan=read_series_plan(), whole=None, flow=empty, left_out=empty)


_MADE: dict[int, pd.DataFrame] = {}


def results_of(run: AuditRun) -> pd.DataFrame:
    """The sensitivity results of a run, made once a session."""
    if id(run) not in _MADE:
        _MADE[id(run)] = sensitivity_results(whole_series(run))
    return _MADE[id(run)].copy()
