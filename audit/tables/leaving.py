"""What may leave, by which rules, and what was tried on it: tables for the quality officer."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from audit.run import AuditRun
from audit.summaries.facts import left_behind
from audit.tables.shown import ShownTable
from schemas import TABLES
from schemas.leaving import HOW, LEAVING, NEVER


def leaving_table(run: AuditRun) -> ShownTable:
    """The allow-list: how each column of the tables that the source has may leave."""
    lines = []
    for table, columns in LEAVING.items():
        if table not in run.cohort.given:
            continue
        for how, words in HOW.items():
            titles = [
                str(TABLES[table].columns[name].metadata["title"])
                for name, chosen in columns.items()
                if chosen == how
            ]
            if titles:
                lines.append((_name(table), words, ", ".join(titles)))
    frame = pd.DataFrame(lines, columns=["Table", "May leave", "Columns"])
    return ShownTable(
        frame,
        "what_may_leave",
        "What may leave the department, column by column",
        ("A column that is not in this list never leaves.",),
        row_headings=2,
    )


def left_behind_table(run: AuditRun) -> ShownTable:
    """What the source holds that never leaves, with the rows that hold it."""
    found = left_behind(run)
    lines = [
        (_name(row.table), _title(row.table, row.column), HOW[NEVER], str(row.rows))
        for row in found.itertuples()
        if row.rows
    ]
    frame = pd.DataFrame(lines, columns=["Table", "Column", "Leaves", "Rows that hold it"])
    return ShownTable(
        frame,
        "left_behind",
        "What the source holds and no table shows",
        ("Columns that are in no contract are counted, not named: a heading can hold anything.",),
        row_headings=2,
    )


def rules_table(sentences: Sequence[str], exceptions: Sequence[str]) -> ShownTable:
    """The settings of disclosure control and the recorded exceptions, a sentence each."""
    lines = [("Rule", words) for words in sentences]
    lines += [("Exception", words) for words in exceptions]
    frame = pd.DataFrame(lines, columns=["What", "In words"])
    return ShownTable(frame, "control_rules", "Rules of disclosure control in this release")


def attack_table(attacked: pd.DataFrame) -> ShownTable:
    """What the attack left of the hidden numbers, a line a table; attacked: from `attack`."""
    lines = []
    for table, part in attacked.groupby("table", sort=False):
        widths = part["width"].dropna()
        narrow = f"{int(widths.min()) + 1}" if len(widths) else "no limit"
        lines.append(
            (table, str(len(part)), str(int((~part["protected"].astype(bool)).sum())), narrow)
        )
    columns = ["Table", "Numbers attacked", "Not protected", "Fewest values left"]
    notes = (
        "An outsider who has every table of the release and knows the rules works out the smallest "
        "and the largest value that each hidden number can have (linear and integer programming).",
        "A number that does not tell of few people may be pinned, and is protected all the same.",
    )
    caption = "Hidden numbers under attack"
    return ShownTable(pd.DataFrame(lines, columns=columns), "attack", caption, notes)


def of_one_period(compared: pd.DataFrame) -> pd.Series:
    """True for differences that tell of few people because both releases speak of one period."""
    same = compared["period_before"] == compared["period_now"]
    return compared["flagged"].astype(bool) & same


def comparison_table(compared: pd.DataFrame) -> ShownTable:
    """What the difference to an earlier release says, a line a table; compared: from
    `compare_releases`."""
    told = of_one_period(compared)
    moved = compared["flagged"].astype(bool) & ~told
    lines = [
        (table, str(len(part)), str(int(told[part.index].sum())), str(int(moved[part.index].sum())))
        for table, part in compared.groupby("table", sort=False)
    ]
    columns = ["Table", "Numbers in both", "Tell of few people", "Small, but the period moved on"]
    return ShownTable(
        pd.DataFrame(lines, columns=columns),
        "earlier_release",
        "This release against the earlier one",
        (
            "Compared are the same cells of tables with one name.",
            "Where the period moved on, people left as well as came, so a small difference is not "
            "a few people; the checkers weigh it.",
        ),
    )


def _name(table: str) -> str:
    return table.replace("_", " ").capitalize()


def _title(table: str, column: str) -> str:
    known = TABLES[table].columns.get(column)
    return column if known is None else str(known.metadata["title"])
