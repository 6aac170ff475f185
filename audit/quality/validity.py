"""Validity: every cell of every row read is valid, a default ("unknown"), invalid or missing.

Four counts a column, defaults counted apart from valid values: the way a national data quality
index does it (standards 1.5, item 4).
"""

from __future__ import annotations

import pandas as pd

from audit.quality.ground import ESTIMATE_COLUMNS, UNREAD, Ground, estimate_cells, share
from schemas import TABLES, vocabulary

#: codes that say nothing definite, in the code lists that hold "unknown"
DEFAULT_CODES = ("unknown", "other")
COLUMNS = [
    "table",
    "item",
    "title",
    "rows",
    "valid",
    "default",
    "invalid",
    "missing",
    *ESTIMATE_COLUMNS,
]


def validity_table(ground: Ground) -> pd.DataFrame:
    """One row a column of every table that the source has: `COLUMNS`.

    rows = valid + default + invalid + missing: all rows there at the cut-off, also those kept out.
    invalid: an error query stands against the cell (it could not be read, lies outside the limits
    or the code list, or disagrees with other cells). value: invalid / (valid + default + invalid),
    the share of cells that hold something, with Wilson's interval.
    """
    rows = []
    for table, contract in TABLES.items():
        if table not in ground.cohort.given:
            continue
        frame = ground.frames[table]
        for name, column in contract.columns.items():
            counts = _counts(ground, table, name, frame)
            held = len(frame) - counts["missing"]
            estimate = share(
                counts["invalid"],
                held,
                level=ground.cohort.settings.level,
                none="no cell is filled",
            )
            named = {"table": table, "item": name, "title": (column.metadata or {})["title"]}
            rows.append(named | {"rows": len(frame)} | counts | estimate_cells(estimate))
    return pd.DataFrame(rows, columns=COLUMNS)


def _counts(ground: Ground, table: str, name: str, frame: pd.DataFrame) -> dict[str, int]:
    invalid = ground.is_lost(table, name, frame)
    given = frame[name].notna() & ~invalid
    default = given & frame[name].isin(_defaults(table, name))
    return {
        "valid": int((given & ~default).sum()),
        "default": int(default.sum()),
        "invalid": int(invalid.sum()),
        "missing": int((~given & ~invalid).sum()),
    }


def _defaults(table: str, name: str) -> tuple[str, ...]:
    codes = (TABLES[table].columns[name].metadata or {})["codes"]
    known = vocabulary.CODE_LISTS.get(codes, {})
    return DEFAULT_CODES if "unknown" in known else ()


def unread_rows(ground: Ground) -> pd.DataFrame:
    """Rows that could not be read as rows, so that no cell of them is judged: table, rows."""
    kept_out = ground.cohort.kept_out
    lines = kept_out.loc[kept_out["reason"] == UNREAD]
    return lines.groupby("table").size().rename("rows").reset_index()
