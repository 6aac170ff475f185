"""Fitness of the data for every reported measure: what it uses, who is due, who has it."""

from __future__ import annotations

import pandas as pd

from audit.cohort import Cohort
from audit.quality.choices import QualityChoices
from audit.quality.fitness import completeness_of, fitness_verdict, missing_table, unit_states
from audit.quality.ground import ESTIMATE_COLUMNS, estimate_cells
from audit.quality.inputs import INPUTS
from audit.results.catalogue import BY_NAME, TIMES

COLUMNS = [
    "measure",
    "title",
    "unit_of_analysis",
    "inputs",
    "due",
    "with_inputs",
    *ESTIMATE_COLUMNS,
    "minimum",
    "verdict",
]


def fitness_table(
    cohort: Cohort, measured: pd.DataFrame, items: pd.DataFrame, choices: QualityChoices
) -> pd.DataFrame:
    """One row a measure of the catalogue: `COLUMNS`.

    due: cases (or walking episodes) that could be expected to have what the measure needs;
    with_inputs: those that do; value: their share with Wilson's interval; verdict: fit, data not
    fit to judge, or no case expected yet (`fitness`). items: from `completeness.item_states`.
    """
    rows = []
    for name, inputs in INPUTS.items():
        states = unit_states(cohort, measured, items, name, choices)
        estimate = completeness_of(states, level=cohort.settings.level)
        absent = missing_table(cohort, name)
        cells = estimate_cells(estimate)
        if absent:
            cells |= {"note": f"the source has no table {absent}"}
        title, each = (
            (TIMES[name][0], TIMES[name][2]) if name in TIMES else (BY_NAME[name].title, "case")
        )
        named = {
            "measure": name,
            "title": title,
            "unit_of_analysis": each,
            "inputs": ", ".join(inputs),
            "due": estimate.n,
            "with_inputs": round((estimate.value or 0.0) * estimate.n),
            "minimum": choices.minimum_completeness,
            "verdict": fitness_verdict(
                estimate, choices.minimum_completeness, table_missing=absent
            ),
        }
        rows.append(named | cells)
    return pd.DataFrame(rows, columns=COLUMNS)
