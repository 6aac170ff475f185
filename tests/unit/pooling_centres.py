"""The demo service as two centres apart and as one, for the tests of pooling."""

from __future__ import annotations

import pandas as pd

CUTOFF = "2026-09-30"
QUARTER = pd.Period("2026Q3", freq="Q")
KEYS = ["measure", "statistic", "window", "group_by", "group", "day"]


#: runs are made once a session; nothing changes them
_RUNS: dict[str | None, object] = {}


def centre_run(tables, centre: str | None):
    """A run of the demo tables without its result table, which no aggregate needs."""
    if centre not in _RUNS:
        _RUNS[centre] = _made(tables, centre)
    return _RUNS[centre]


def _made(tables, centre: str | None):
    import audit
    from audit.intake.register import read_register
    from audit.measures import measure_cases
    from audit.run import AuditRun
    from audit.standards import judge_standards

    cohort = audit.build_cohort(tables, CUTOFF, centre=centre)
    measured = measure_cases(cohort)
    register = read_register()
    return AuditRun(
        cohort=cohort,
        measured=measured,
        results=pd.DataFrame(),
        standards=judge_standards(cohort, measured, register.criteria, QUARTER),
        quarter=QUARTER,
        parameters={},
        register=register,
    )


def keyed(results: pd.DataFrame) -> pd.DataFrame:
    """Result rows by what names them; the day of a curve stands in the note."""
    day = results["note"].str.extract(r"^(?:at|by) (\d+) days", expand=False).fillna("")
    table = results.assign(day=day).set_index(KEYS)
    assert table.index.is_unique
    return table
