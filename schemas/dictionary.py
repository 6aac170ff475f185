"""The data dictionary and the list of rules, made from the contracts themselves."""

from __future__ import annotations

import pandas as pd

import schemas
from schemas import vocabulary
from schemas.expected import STATES
from schemas.reading import READING_CHECKS
from schemas.rules import RULES

COLUMNS = (
    "table",
    "column",
    "title",
    "kind",
    "unit",
    "required",
    "codes",
    "low",
    "high",
    "usual_low",
    "usual_high",
    "source",
    "expected",
    "meaning",
)
RULE_COLUMNS = ("rule", "table", "column", "severity", "keeps_out", "message", "source")
#: what the checks of one column do; they come before all rules between cells
COLUMN_CHECKS = {
    "missing_required": ("error", "A required value is missing."),
    "not_a_date": ("error", "The cell holds no date."),
    "not_a_date_and_time": ("error", "The cell holds no day and time."),
    "not_a_number": ("error", "The cell holds no number."),
    "not_a_whole_number": ("error", "The cell holds no whole number."),
    "not_in_code_list": ("error", "The code is not in the list of the column."),
    "out_of_range": ("error", "The value lies outside the hard limits of the column."),
    "unusual_value": ("warning", "The value lies outside the usual limits of the column."),
}


def data_dictionary() -> pd.DataFrame:
    """One row a column of every table: `COLUMNS`.

    codes: "code = label" for each code, separated by semicolons, or empty. low, high: hard
    limits, values outside are kept out of use; usual_low, usual_high: values outside are asked
    about; missing where there is none. source: where limits or codes come from, or empty.
    """
    rows = [
        (name, column, *_facts(contract.metadata, required=bool(contract.required)))
        for name, table in schemas.TABLES.items()
        for column, contract in table.columns.items()
    ]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def rule_list() -> pd.DataFrame:
    """One row a rule between cells, in the order in which they are applied: `RULE_COLUMNS`.

    keeps_out: "value" or "row" for an error, empty for a warning, which keeps nothing out.
    """
    rows = [
        (
            rule.id,
            rule.table,
            rule.column,
            rule.severity,
            rule.keeps_out if rule.severity == "error" else "",
            rule.message,
            rule.source,
        )
        for rule in RULES
    ]
    return pd.DataFrame(rows, columns=list(RULE_COLUMNS))


def dictionary_markdown() -> str:
    """Dictionary and rules as one Markdown text: a section a table, then when a value can be
    expected, then checks and rules."""
    parts = ["# Data dictionary"]
    dictionary = data_dictionary()
    for name, table in schemas.TABLES.items():
        required = "" if name in schemas.REQUIRED_TABLES else " Optional table."
        parts += [f"## {name}", f"{table.description}{required}"]
        parts.append(_markdown_table(_for_people(dictionary[dictionary["table"] == name])))
    parts += ["## When a value can be expected", _markdown_table(_states())]
    parts += ["## Questions while reading", _markdown_table(_reading_checks())]
    parts += ["## Checks of single columns", _markdown_table(_column_checks())]
    parts += ["## Rules between cells", _markdown_table(_rules_for_people())]
    return "\n\n".join(parts) + "\n"


def _facts(metadata: dict, *, required: bool) -> tuple:
    limits = metadata["limits"]
    bounds = (limits.low, limits.high, limits.usual_low, limits.usual_high)
    source = limits.source if any(bound is not None for bound in bounds) else ""
    return (
        metadata["title"],
        metadata["kind"],
        metadata["unit"],
        required,
        _code_text(metadata["codes"]),
        *(float("nan") if bound is None else float(bound) for bound in bounds),
        source or vocabulary.SOURCES.get(metadata["codes"], ""),
        metadata["expected"],
        metadata["meaning"],
    )


def _code_text(name: str) -> str:
    if not name:
        return ""
    return "; ".join(f"{code} = {label}" for code, label in vocabulary.CODE_LISTS[name].items())


def _for_people(rows: pd.DataFrame) -> pd.DataFrame:
    hard = [_span(low, high) for low, high in zip(rows["low"], rows["high"], strict=True)]
    usual = [
        _span(low, high) for low, high in zip(rows["usual_low"], rows["usual_high"], strict=True)
    ]
    return pd.DataFrame(
        {
            "Column": "`" + rows["column"] + "`" + rows["required"].map({True: " *", False: ""}),
            "Title": rows["title"],
            "Kind": rows["kind"],
            "Unit": rows["unit"],
            "Codes": rows["codes"],
            "Limits": hard,
            "Usual": usual,
            "Source": rows["source"],
            "Expected": rows["expected"],
            "Meaning": rows["meaning"],
        }
    )


def _span(low: float, high: float) -> str:
    if pd.isna(low) and pd.isna(high):
        return ""
    if pd.isna(low):
        return f"at most {high:g}"
    if pd.isna(high):
        return f"at least {low:g}"
    return f"{low:g} to {high:g}"


def _states() -> pd.DataFrame:
    rows = [(f"`{state.name}`", state.words, state.source) for state in STATES.values()]
    return pd.DataFrame(rows, columns=["Expected", "In", "Source"])


def _reading_checks() -> pd.DataFrame:
    rows = [(f"`{name}`", *facts) for name, facts in READING_CHECKS.items()]
    return pd.DataFrame(rows, columns=["Question", "Severity", "Meaning"])


def _column_checks() -> pd.DataFrame:
    rows = [(f"`{name}`", *facts) for name, facts in COLUMN_CHECKS.items()]
    return pd.DataFrame(rows, columns=["Check", "Severity", "Meaning"])


def _rules_for_people() -> pd.DataFrame:
    rules = rule_list()
    return pd.DataFrame(
        {
            "Rule": "`" + rules["rule"] + "`",
            "Where": "`" + rules["table"] + "." + rules["column"] + "`",
            "Severity": rules["severity"],
            "Keeps out": rules["keeps_out"],
            "What to do": rules["message"],
            "Source": rules["source"],
        }
    )


def _markdown_table(frame: pd.DataFrame) -> str:
    lines = [list(frame.columns), ["---"] * len(frame.columns), *frame.to_numpy().tolist()]
    cells = ([str(cell).replace("|", "\\|") for cell in line] for line in lines)
    return "\n".join("| " + " | ".join(line) + " |" for line in cells)
