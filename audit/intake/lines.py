"""Lines of a table that are no rows of it: headings once more, units, totals, shifted cells."""

from __future__ import annotations

import dataclasses
import re

import pandas as pd

from audit.intake.grid import Grid
from audit.intake.parse import plain_heading
from audit.intake.queries import queries_for, source_query
from audit.intake.tables import columns_of_kind, kept_out_rows
from schemas import TABLES

TOO_WIDE = {
    "rule": "more_cells_than_headings",
    "severity": "error",
    "message": "The line has more cells than there are headings, so its cells may have shifted; "
    "it is not used. Put texts that hold a separator in quotes, and write decimals with a point.",
}
TOO_NARROW = {
    "rule": "fewer_cells_than_headings",
    "severity": "warning",
    "message": "The line has fewer cells than there are headings; the rest was taken as empty. "
    "Check that no cell is left out.",
}
HEADING_REPEATED = {
    "rule": "heading_repeated",
    "severity": "error",
    "message": "The line repeats the headings and is no entry: it is not used. Delete it.",
}
BELOW_HEADINGS = {
    "rule": "line_below_headings",
    "severity": "error",
    "message": "The line below the headings holds no entry (units, or headings once more): it is "
    "not used. Delete it.",
}
TOTALS_ROW = {
    "rule": "totals_row",
    "severity": "error",
    "message": "The line holds totals and is no entry: it is not used. Delete it.",
}
#: share of its cells by which a line counts as one of headings
ALIKE = 0.5
#: cells of a line below the headings that should be numbers or days and hold no digit
WORDS_LEAST = 2
_TOTALS = (
    "total|totals|grand total|subtotal|sub-total|sum|mean|average|median|count|minimum|maximum|"
    "standard deviation|summe|gesamt|gesamtergebnis|mittelwert|durchschnitt|anzahl|somme|moyenne|"
    "total général|suma|promedio|totale|somma|totaal|gemiddelde|média|soma"
)
TOTALS = frozenset(
    form(word) + end
    for word in _TOTALS.split("|")
    for form in (str, str.capitalize, str.title, str.upper)
    for end in ("", ":")
)


@dataclasses.dataclass(frozen=True)
class Lines:
    """The rows of a table, questions about lines, and the lines kept out (`KEPT_OUT`)."""

    rows: pd.DataFrame
    queries: list[pd.DataFrame]
    kept_out: list[pd.DataFrame]


def sort_lines(table: str, frame: pd.DataFrame, grid: Grid) -> Lines:
    """Take out of a table the lines that are no rows of it, each with one question.

    frame: the table under tidy headings. grid: as it was read. Nothing else is asked of a line
    that is out.
    """
    queries = [
        source_query(table, "", rule=rule, message=message) for rule, message in grid.remarks
    ]
    repeated, totals = _special(table, frame, [str(name) for name in grid.frame.columns])
    below = _below_headings(table, frame) & ~(repeated | totals)
    wide = frame["row"].isin(grid.too_wide) & ~(repeated | totals | below)
    gone = repeated | totals | below | wide
    narrow = frame["row"].isin(grid.too_narrow) & ~gone
    queries.append(queries_for(frame, narrow, table=table, column="", words=TOO_NARROW))
    kept_out = []
    for failed, words in (
        (wide, TOO_WIDE),
        (repeated, HEADING_REPEATED),
        (below, BELOW_HEADINGS),
        (totals, TOTALS_ROW),
    ):
        lines = frame.loc[failed]
        if words is not TOO_WIDE:
            lines = lines.assign(case_id="", patient_id="")
        every = pd.Series(data=True, index=lines.index)
        queries.append(queries_for(lines, every, table=table, column="", words=words))
        kept_out.append(kept_out_rows(table, lines, words["rule"]))
    rows = frame.loc[~gone].reset_index(drop=True) if gone.any() else frame
    return Lines(rows, queries, kept_out)


def _special(table: str, frame: pd.DataFrame, headings: list[str]) -> tuple[pd.Series, pd.Series]:
    """(True for a line that holds the headings once more, as where files were joined; True for a
    line that begins with a word for totals)."""
    first = next(iter(TABLES[table].columns))
    nothing = pd.Series(data=False, index=frame.index)
    if first not in frame:
        return nothing, nothing
    spelt = {name for name in headings if plain_heading(name) == first} | {first, first.upper()}
    spelt |= {f"\ufeff{name}" for name in spelt}
    found = frame[first].isin(TOTALS | spelt)
    if not found.any():
        return nothing, nothing
    repeated = found & frame[first].isin(spelt)
    names = [str(name) for name in frame.columns if name != "row"]
    cells = frame.loc[repeated, names].fillna("").map(lambda cell: plain_heading(str(cell)))
    alike = cells.eq(pd.Series({name: plain_heading(name) for name in names})).mean(axis=1)
    repeated.loc[repeated] = alike >= ALIKE
    return repeated, found & frame[first].isin(TOTALS)


def _below_headings(table: str, frame: pd.DataFrame) -> pd.Series:
    """True for the first line if it has words wherever a number or a day is asked for."""
    found = pd.Series(data=False, index=frame.index)
    names = [n for n in columns_of_kind(table, "number", "whole", "day", "moment") if n in frame]
    if len(frame):
        cells = [str(cell).strip() for cell in frame[names].iloc[0].dropna()]
        given = [cell for cell in cells if cell]
        words = [cell for cell in given if re.search(r"[^\W\d_]", cell)]
        found.iloc[0] = len(words) >= WORDS_LEAST and not re.search(r"\d", "".join(given))
    return found
