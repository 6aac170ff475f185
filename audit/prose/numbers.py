"""Numbers for texts: each one rounded as in the tables and tied to its row of results.csv."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from audit import wording
from audit.document import Keyed
from audit.results.rows import best_rows, estimate_of
from audit.series.case_series import CaseSeries
from audit.tables.measures import counts_of, rows_of
from audit.tables.shown import group_words

Piece = str | Keyed
Pieces = list[Piece]

KEY = ["measure", "statistic", "window", "group_by", "group"]
#: window of every number of a paper
WINDOW = "all"
#: groups with fewer values are left to the tables
FEWEST_IN_TEXT = 5
#: units that stand for a share, shown as a percentage
SHARES = ("", "share")
PER_CENT = "%"


def joined(*parts: str | Keyed | Pieces) -> Pieces:
    """Texts, numbers and lists of both as one list of pieces."""
    pieces: Pieces = []
    for part in parts:
        pieces += part if isinstance(part, list) else [part]
    return pieces


def listed(parts: Iterable[Pieces], *, between: str = "; ") -> Pieces:
    """Several lists of pieces with a text between them."""
    pieces: Pieces = []
    for part in parts:
        pieces += [between, *part] if pieces else part
    return pieces


class Numbers:
    """Looks numbers up in the results of a series and writes them as pieces of text."""

    def __init__(self, series: CaseSeries) -> None:
        self.series = series
        self.run = series.run

    def row(
        self,
        measure: str,
        statistic: str,
        *,
        group_by: str = "all",
        group: str = "all",
        about: str = "",
    ) -> pd.Series | None:
        """The row that the tables show, or None when there is none.

        The patient-clustered twin where a patient gives more than one case. about: how the row's
        note begins, for a statistic that has a row for each of several days.
        """
        rows = rows_of(self.run, measure, WINDOW, group_by)
        rows = rows.loc[rows["group"] == group]
        if about:
            rows = rows.loc[rows["note"].str.startswith(about)]
        patients, cases = counts_of(self.run, WINDOW, *_counted_by(group_by, group))
        return best_rows(rows, patients, cases).get(statistic)

    def groups(self, measure: str, group_by: str) -> list[str]:
        """The groups of a measure in the order of the results."""
        return [str(one) for one in rows_of(self.run, measure, WINDOW, group_by)["group"].unique()]

    def by_group(
        self, measure: str, statistic: str, group_by: str, *, about: str = ""
    ) -> list[tuple[str, pd.Series]]:
        """(words of the group, row) of the groups with at least `FEWEST_IN_TEXT` values."""
        found = []
        for group in self.groups(measure, group_by):
            row = self.row(measure, statistic, group_by=group_by, group=group, about=about)
            if row is not None and row["n"] >= FEWEST_IN_TEXT and pd.notna(row["value"]):
                found.append((lower_first(group_words(group_by, group)), row))
        return found


def _counted_by(group_by: str, group: str) -> tuple[str, str]:
    """Groupings that are not columns of the cases are counted over all of them."""
    columns = {"device_class", "segment", "centre"}
    return (group_by, group) if set(group_by.split("+")) <= columns else ("all", "all")


def lower_first(words: str) -> str:
    """The words as they stand inside a sentence."""
    return words[:1].lower() + words[1:]


def key_of(row: pd.Series) -> tuple[str, str, str, str, str]:
    """The five key columns of a row of results.csv."""
    measure, statistic, window, group_by, group = (str(row[name]) for name in KEY)
    return measure, statistic, window, group_by, group


def keyed(row: pd.Series, column: str = "value", decimals: int | None = None) -> Keyed:
    """One number of a row, rounded for its unit: a share as a percentage, n and missing as counts.

    A limit that does not exist is "open"; a value that does not exist is "not estimable".
    decimals: others than those of the unit.
    """
    number = row[column]
    if column in ("n", "missing"):
        return Keyed(str(int(number)), key_of(row), column)
    if pd.isna(number):
        return Keyed(wording.NOT_ESTIMABLE if column == "value" else "open", key_of(row), column)
    if row["unit"] in SHARES:
        text = wording.percent(float(number), int(row["n"]))
    else:
        sign = PER_CENT if row["unit"] == PER_CENT else ""
        places = wording.decimals_for(row["unit"]) if decimals is None else decimals
        text = wording.rounded(float(number), places) + sign
    return Keyed(text, key_of(row), column)


def interval_words(row: pd.Series) -> str:
    """`95% CI` at the level of the row."""
    return f"{100 * float(row['level']):g}% CI"


def _limits(row: pd.Series, decimals: int | None = None) -> Pieces:
    if pd.isna(row["low"]) and pd.isna(row["high"]):
        return ["no interval"]
    low, high = keyed(row, "low", decimals), keyed(row, "high", decimals)
    return [f"{interval_words(row)} ", low, " to ", high]


def number(row: pd.Series | None, decimals: int | None = None) -> Pieces:
    """`172 days (95% CI 153 to 192)`, or why it could not be estimated."""
    if row is None or pd.isna(row["value"]):
        return [not_estimated(row)]
    unit = str(row["unit"])
    words = "" if unit in (*SHARES, PER_CENT) else f" {unit}"
    return joined(keyed(row, "value", decimals), f"{words} (", _limits(row, decimals), ")")


def mean(numbers: Numbers, measure: str) -> Pieces:
    """`37.1 days/cm (95% CI 34.5 to 39.6)` with the decimals that its SD asks for."""
    row, spread = numbers.row(measure, "mean"), numbers.row(measure, "sd")
    if row is None or spread is None:
        return number(row)
    return number(row, wording.mean_decimals(float(spread["value"]), str(row["unit"])))


def number_of(row: pd.Series | None) -> Pieces:
    """`172 (95% CI 153 to 192; n 195)`, for a list whose unit is said once."""
    if row is None or pd.isna(row["value"]):
        return [not_estimated(row)]
    return joined(keyed(row), " (", _limits(row), "; n ", keyed(row, "n"), ")")


def share(row: pd.Series | None, noun: str = "") -> Pieces:
    """`93 of 228 cases (40.8%; 95% CI 34.4% to 47.5%)`, also where nobody had it."""
    if row is None or pd.isna(row["value"]):
        return [not_estimated(row)]
    count = Keyed(str(round(float(row["value"]) * int(row["n"]))), key_of(row))
    return joined(
        count,
        " of ",
        keyed(row, "n"),
        f"{noun and ' '}{noun} (",
        keyed(row),
        "; ",
        _limits(row),
        ")",
    )


def quartiles(numbers: Numbers, measure: str, names: tuple[str, str, str]) -> Pieces:
    """`172 (95% CI 153 to 192; quartiles 108 to 236) days` of all cases.

    names: the statistics of the median and the two quartiles.
    """
    rows = [numbers.row(measure, name) for name in names]
    middle, low, high = rows
    if middle is None or low is None or high is None or pd.isna(middle["value"]):
        return [not_estimated(middle)]
    unit = str(middle["unit"])
    words = "" if unit in (*SHARES, PER_CENT) else f" {unit}"
    sides = joined(_quartile(low), " to ", _quartile(high))
    return joined(keyed(middle), f"{words} (", _limits(middle), "; quartiles ", sides, ")")


def _quartile(row: pd.Series) -> Piece:
    return "not reached" if pd.isna(row["value"]) else keyed(row)


def not_estimated(row: pd.Series | None) -> str:
    """Why a number is not there, from the row itself."""
    if row is None:
        return "not estimated"
    reason = estimate_of(row).note.split("; ")
    kept = [part for part in reason if not part.startswith(("at ", "by "))]
    words = wording.NOT_ESTIMABLE
    return f"{words} ({kept[0].replace(' %', PER_CENT)})" if kept else words


def reasons(row: pd.Series) -> str:
    """Why values are missing, as the row's note says: `not united yet: 25, ...`; else empty."""
    first = str(row["note"]).split("; ")[0]
    words, _, count = first.rpartition(": ")
    return first if words and count.strip().isdigit() else ""
