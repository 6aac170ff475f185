"""Which rules the data break: consistency, uniqueness, and what to mend first.

Every question of the cohort belongs to one of the six dimensions of the government data quality
framework (2020; standards 1.5, item 2) by its rule.
"""

from __future__ import annotations

import pandas as pd

from audit.intake.hints import general_message
from audit.quality.ground import ABSENT, Ground, estimate_cells, share
from schemas.rules import RULES

DIMENSIONS = ("completeness", "uniqueness", "consistency", "timeliness", "validity", "accuracy")
#: rules against double entries
UNIQUE = (
    "repeated_row",
    "key_used_twice",
    "same_bone_same_day",
    "bone_lengthened_twice_at_once",
    "session_logged_twice",
    "quarter_counted_twice",
    "quarter_counted_whole_and_in_parts",
)
#: rules on one value by itself, though they stand among the rules between cells
SINGLE = ("date_in_future", "date_before_1980", "many_first_of_january", "not_a_quarter")
_BETWEEN = {rule.id for rule in RULES}
BONE = ["patient_id", "side", "segment", "surgery_date"]
COLUMNS = [
    "dimension",
    "severity",
    "table",
    "column",
    "rule",
    "message",
    "queries",
    "rows",
    "cases",
]


def dimension_of(rule: str) -> str:
    """The dimension to which a question with this rule belongs.

    What reading raised, and checks of one value by itself, is validity; what cells and tables must
    agree on is consistency.
    """
    if rule.startswith(ABSENT):
        return "completeness"
    if rule in UNIQUE:
        return "uniqueness"
    if rule in _BETWEEN and rule not in SINGLE:
        return "consistency"
    return "validity"


def broken_rules(ground: Ground) -> pd.DataFrame:
    """One row a rule and column that is broken, errors first, most often broken first: `COLUMNS`.

    queries: questions; rows: rows of the table they are about (0 for a question about a whole
    column); cases: cases they are about.
    """
    queries = ground.queries
    rows = []
    keys = ["severity", "table", "column", "rule"]
    for (severity, table, column, rule), part in queries.groupby(keys, sort=False):
        about = part["row"].astype(str)
        cases = part["case_id"].astype(str)
        rows.append(
            {
                "dimension": dimension_of(str(rule)),
                "severity": severity,
                "table": table,
                "column": column,
                "rule": rule,
                "message": _of_all(part["message"]),
                "queries": len(part),
                "rows": about.loc[about != ""].nunique(),
                "cases": cases.loc[cases != ""].nunique(),
            }
        )
    found = pd.DataFrame(rows, columns=COLUMNS)
    order = ["severity", "queries", "table", "rule", "column"]
    return found.sort_values(order, ascending=[True, False, True, True, True]).reset_index(
        drop=True
    )


def _of_all(messages: pd.Series) -> str:
    """The message of a rule without what it says of one cell, which belongs to its query alone."""
    return str(general_message(messages).iloc[0]).split(" Nearest: ")[0]


def cases_with_questions(ground: Ground) -> pd.DataFrame:
    """Cases with at least one question, a row a dimension and severity, "any" first.

    cases: all rows of the cases table there at the cut-off; affected: those named in a question,
    in whatever table it stands; their share with Wilson's interval.
    """
    ids = ground.frames["cases"]["case_id"].dropna()
    queries = ground.queries.loc[ground.queries["case_id"].isin(ids)]
    kinds = queries["rule"].map(dimension_of) if len(queries) else pd.Series(dtype=object)
    rows = []
    for dimension in ("any", "completeness", "validity", "consistency", "uniqueness"):
        for severity in ("error", "warning"):
            chosen = queries["severity"] == severity
            if dimension != "any":
                chosen &= kinds == dimension
            affected = queries.loc[chosen, "case_id"].nunique()
            estimate = share(
                affected, ids.nunique(), level=ground.cohort.settings.level, none="no case is read"
            )
            named = {"dimension": dimension, "severity": severity, "cases": ids.nunique()}
            rows.append(named | {"affected": affected} | estimate_cells(estimate))
    return pd.DataFrame(rows)


def uniqueness_table(ground: Ground) -> pd.DataFrame:
    """Double entries: check, what, rows (beyond the first, or in doubt), effect, note.

    Duplicates by patient, side, segment and day of surgery are counted here from the rows
    themselves (standards 1.5, item 7), before any rule has put one aside.
    """
    cases = ground.frames["cases"]
    known = cases[BONE].notna().all(axis=1)
    twice = int(cases.loc[known].duplicated(BONE, keep="first").sum())
    rows = [
        (
            "patient, side, segment and day of surgery",
            "cases",
            twice,
            "all but one kept out",
            f"not checked, one of the four is missing: {int((~known).sum())} of {len(cases)} rows",
        )
    ]
    found = broken_rules(ground)
    found = found.loc[found["dimension"] == "uniqueness"]
    for line in found.itertuples():
        effect = "kept out" if line.severity == "error" else "asked only"
        rows.append(
            (str(line.rule).replace("_", " "), line.table, int(line.queries), effect, line.message)
        )
    return pd.DataFrame(rows, columns=["check", "table", "rows", "effect", "note"])
