"""Earlier quarters then and now, for people: what was reported, what it is today, and why."""

from __future__ import annotations

import pandas as pd

from audit import wording
from audit.estimates.estimate import Estimate
from audit.reaudit import REPORTED, TODAY, Reaudit
from audit.reaudit.causes import ADDED, CAUSES, UNCHANGED
from audit.reaudit.compare import RESULTS, STANDARDS
from audit.tables.shown import ShownTable, window_words

NOT_GIVEN = "Not judged"
#: the parts of the list of numbers, in words
PARTS = {STANDARDS: "Standards", RESULTS: "Main results"}
CAUTION = (
    "Late data: facts dated up to the cut-off of then that were entered or corrected since. A "
    "last follow-up, an outcome or a final gain that a later one has overwritten counts too.",
    "Each number with its three versions stands in reaudit.csv; the changed cases behind them in "
    "reaudit_cases.csv, for the department only.",
)


def summary_words(found: Reaudit) -> str:
    """The re-audit in a few sentences (Markdown)."""
    if found.runs.empty:
        return "No earlier run could be compared. " + " ".join(_sentences(found.left_out))
    added = found.cells["causes"] == ADDED
    cells = found.cells.loc[~added]
    quarters = ", ".join(dict.fromkeys(found.runs["quarter"]))
    same = int((cells["causes"] == UNCHANGED).sum())
    lines = [
        f"Earlier quarters recomputed with today's tables and definitions: {quarters}. "
        f"{same} of {len(cells)} numbers and verdicts are unchanged."
    ]
    counted = [f"{number} through {cause}" for cause, number in cause_counts(cells).items()]
    if counted:
        lines.append(
            f"Of the {len(cells) - same} others: {'; '.join(counted)}. A number with two causes "
            "counts under both."
        )
    if added.any():
        lines.append(f"{added.sum()} more belong to criteria that were not judged then.")
    changed = _changed_verdicts(found)
    lines.append(
        f"{changed} of {_verdicts(found)} verdicts differ from what was reported."
        if _verdicts(found)
        else "No verdict could be compared."
    )
    return " ".join(lines)


def _sentences(words: tuple[str, ...]) -> list[str]:
    return [f"{one[:1].upper()}{one[1:]}." for one in words]


def cause_counts(cells: pd.DataFrame) -> dict[str, int]:
    """cause -> how many numbers it changed, in the order of the list of causes."""
    named = cells["causes"].str.split(" + ", regex=False).explode()
    counts = named.value_counts()
    return {cause: int(counts[cause]) for cause in CAUSES if cause in counts}


def _of_verdicts(found: Reaudit) -> pd.DataFrame:
    cells = found.cells
    return cells.loc[
        (cells["table"] == STANDARDS) & (cells["column"] == "verdict") & cells["reported"].notna()
    ]


def _verdicts(found: Reaudit) -> int:
    return len(_of_verdicts(found))


def _changed_verdicts(found: Reaudit) -> int:
    cells = _of_verdicts(found)
    return int((cells["reported"] != cells["today"].fillna("")).sum())


def runs_table(found: Reaudit) -> ShownTable:
    """The earlier runs: what they were made with, then and now."""
    runs = found.runs
    frame = pd.DataFrame(
        {
            "Quarter": runs["quarter"],
            "Run": runs["run"],
            "Centre": runs["centre"].fillna("all"),
            "Made on": runs["made_on"].fillna("not recorded").str[:10],
            "Cut-off": runs["cutoff"],
            "Register then, today": [
                f"{then or 'not recorded'}, {now or 'no version'}"
                for then, now in zip(runs["register_then"], runs["register_today"], strict=True)
            ],
            "Definitions": runs["definitions"],
            "Tables": runs["tables"],
            "Code": runs["code"],
            "Libraries": runs["libraries"],
            "Remarks": runs["remarks"].replace("", "none"),
        }
    )
    notes = tuple(_sentences(found.left_out))
    return ShownTable(frame, "reaudit_runs", "Earlier runs and what changed since", notes, 2)


def causes_table(found: Reaudit) -> ShownTable:
    """How many numbers of every earlier run changed, and through what."""
    lines = []
    for name, quarter in zip(found.runs["run"], found.runs["quarter"], strict=True):
        for table, words in PARTS.items():
            cells = found.cells.loc[(found.cells["run"] == name) & (found.cells["table"] == table)]
            if cells.empty:
                continue
            counts = cause_counts(cells)
            line = {"Quarter": quarter, "Part": words, "Numbers": str(len(cells))}
            line["Unchanged"] = str(int((cells["causes"] == UNCHANGED).sum()))
            lines.append(line | {cause.capitalize(): str(counts[cause]) for cause in counts})
    seen = [cause.capitalize() for cause in CAUSES if any(cause.capitalize() in x for x in lines)]
    frame = pd.DataFrame(lines, columns=["Quarter", "Part", "Numbers", "Unchanged", *seen])
    notes = ("A number with two causes counts under both.", *CAUTION)
    caption = "Numbers unchanged and changed since they were reported"
    return ShownTable(frame.fillna("0"), "reaudit_causes", caption, notes, 2)


def then_and_now_table(found: Reaudit) -> ShownTable:
    """Every criterion in its own quarter, as reported then and as it is today."""
    lines = [line for line in _lines(found) if line["window"] == f"quarter:{line['quarter']}"]
    caption = "Earlier quarters: reported then and recomputed today"
    note = "Recomputed at the cut-off of then, with today's tables, code and definitions."
    return _shown(lines, "reaudit_standards", caption, (note,), windows=False)


def other_windows_table(found: Reaudit) -> ShownTable:
    """Criteria whose rolling year or all-time figures changed; unchanged ones are not shown."""
    lines = [
        line
        for line in _lines(found)
        if line["window"] != f"quarter:{line['quarter']}" and line["why"] != UNCHANGED
    ]
    caption = "Rolling years and all time: figures that changed since they were reported"
    return _shown(lines, "reaudit_other_windows", caption, (), windows=True)


def _shown(
    lines: list[dict[str, str]], name: str, caption: str, notes: tuple[str, ...], *, windows: bool
) -> ShownTable:
    headings = {
        "quarter": "Quarter",
        "window_words": "Window",
        "words": "Criterion",
        "then": "Reported then",
        "now": "Recomputed today",
        "why": "Why",
    }
    if not windows:
        del headings["window_words"]
    frame = pd.DataFrame(lines, columns=list(headings)).rename(columns=headings)
    return ShownTable(frame, name, caption, notes, 3 if windows else 2)


def _lines(found: Reaudit) -> list[dict[str, str]]:
    """One line a run, criterion and window."""
    lines: list[dict[str, str]] = []
    if found.standards.empty:
        return lines
    cells = found.cells.loc[found.cells["table"] == STANDARDS]
    reasons = {
        key: _why(part) for key, part in cells.groupby(["run", "item", "window"], sort=False)
    }
    for (run, name, window), rows in found.standards.groupby(
        ["run", "criterion", "window"], sort=False
    ):
        last = rows.iloc[-1]
        lines.append(
            {
                "quarter": str(last["quarter"]),
                "window": str(window),
                "window_words": window_words(str(window)),
                "words": str(last["words"]),
                "then": _cell(rows, REPORTED),
                "now": _cell(rows, TODAY),
                "why": reasons.get((run, name, window), UNCHANGED),
            }
        )
    return lines


def _why(cells: pd.DataFrame) -> str:
    """Every explanation of a row's numbers once."""
    told = cells.loc[cells["causes"] != UNCHANGED, "explanation"]
    return "; ".join(dict.fromkeys(told)) or UNCHANGED


def _cell(rows: pd.DataFrame, version: str) -> str:
    """The verdict and estimate of a version in words."""
    chosen = rows.loc[rows["version"] == version]
    if chosen.empty:
        return NOT_GIVEN
    row = chosen.iloc[0]
    estimate = Estimate(
        value=_number(row, "value"),
        low=_number(row, "low"),
        high=_number(row, "high"),
        level=_number(row, "level") or 0.95,
        n=int(_number(row, "n") or 0),
        missing=int(_number(row, "missing") or 0),
        method=str(row.get("method", "")),
        unit=str(row.get("unit", "")),
        note=str(row.get("note", "")) or wording.NOT_ESTIMABLE,
    )
    verdict = str(row["verdict"]).capitalize()
    if estimate.value is None:
        return f"{verdict} (n {estimate.n})"
    if row.get("statistic") == "proportion":
        return f"{verdict}: {wording.share_with_interval(estimate)}"
    return f"{verdict}: {wording.with_interval(estimate)}; n {estimate.n}"


def _number(row: pd.Series, name: str) -> float | None:
    number = pd.to_numeric(row.get(name), errors="coerce")
    return None if pd.isna(number) else float(number)
