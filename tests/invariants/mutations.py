"""What goes wrong with sheets in daily life, as small changes to tables of text cells.

Every change takes a random generator and a `Sheet` and alters the sheet in place; changes of bytes
take and give the bytes of a CSV file. None knows anything of the kit: a change may leave the table
as good as it was, or beyond use. The list is from experience with hand-kept sheets (common
practice, no published source).
"""

from __future__ import annotations

import copy
import csv
import dataclasses
import io
import pathlib
from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd

Draw = np.random.Generator

#: a text that stands in no code list and no message of the kit: it must not turn up in an error
CANARY = "Zqx7Canary"
SPREADSHEET_ERRORS = (
    "#N/A",
    "#REF!",
    "#VALUE!",
    "#DIV/0!",
    "#NAME?",
    "#NULL!",
    "#NUM!",
    "########",
)
MISSING_WORDS = (
    "NA",
    "n/a",
    "-",
    "--",
    "?",
    "NULL",
    "None",
    "nan",
    "unknown",
    ".",
    "not done",
    "x",
)
SENTINELS = ("999", "9999", "-1", "-99", "99", "0", "1900-01-01", "9999-12-31", "1899-12-30")
FAR_DAYS = ("0001-01-01", "1677-09-21", "1979-12-31", "2262-04-11", "2262-04-12", "9999-12-31")
FALSE_DAYS = ("2024-02-30", "2023-02-29", "2024-13-01", "2024-00-10", "0000-00-00", "2024-1-5")
HUGE = ("1e308", "-1e308", "1e309", "inf", "-inf", "Infinity", "nan", "-0", "1e-320", "9" * 40,
        "18446744073709551616", "-9223372036854775809", "0x1F", "1_000", "1,000.5", "٣٤", "½", "1e5")  # fmt: skip
FORMULAS = ("=1+1", "+1+1", "@SUM(A1)", "-2+3", '=HYPERLINK("x")', "'=1")
ODD_TEXTS = ("\u200b", "\ufeff", "\u00a0", "é\u0301", "𝔘𝔫𝔦", "漢字", "a\x00b", "a\x1fb", "\u2028", "tab\there",
             "two\nlines", "two\r\nlines", 'quo"te', '"', "'", "a,b;c|d", "\\", " ", "x" * 5000)  # fmt: skip
UNITS = (" mm", "mm", " cm", " deg", "°", " weeks", " approx", "~", "%")


@dataclasses.dataclass
class Sheet:
    """A table as a person types it. rows may be longer or shorter than the headings."""

    headings: list[str]
    rows: list[list[str]]

    def copy(self) -> Sheet:
        """An independent sheet with the same cells."""
        return copy.deepcopy(self)

    def frame(self) -> pd.DataFrame:
        """As wide as its headings; what is missing on the right is empty, what is over is cut."""
        width = len(self.headings)
        cut = [(row + [""] * width)[:width] for row in self.rows]
        frame = pd.DataFrame(cut, columns=range(width), dtype=object)
        frame.columns = pd.Index(self.headings, dtype=object)
        return frame

    def even(self) -> bool:
        """Whether every row has as many cells as there are headings."""
        return all(len(row) == len(self.headings) for row in self.rows)


def sheets_of(folder: pathlib.Path) -> dict[str, Sheet]:
    """The sheets of a folder of sound CSV files."""
    found = {}
    for path in sorted(folder.glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as file:
            headings, *rows = list(csv.reader(file))
        found[path.stem] = Sheet(headings, rows)
    return found


def some_patients(sheets: Mapping[str, Sheet], draw: Draw, *, patients: int) -> dict[str, Sheet]:
    """The rows of a few patients of all tables; at most 25 rows a table for each of their cases."""
    everyone = [row[0] for row in sheets["patients"].rows]
    chosen = set(draw.choice(everyone, size=min(patients, len(everyone)), replace=False))
    cases = [row for row in sheets["cases"].rows if row[1] in chosen]
    ids = {row[0] for row in cases}
    out = {}
    for table, sheet in sheets.items():
        if table in ("patients", "cases"):
            place, keep = (0, chosen) if table == "patients" else (1, chosen)
            rows = [row for row in sheet.rows if row[place] in keep]
        elif "case_id" in sheet.headings:
            place = sheet.headings.index("case_id")
            rows = [row for row in sheet.rows if row[place] in ids][: 25 * max(1, len(ids))]
        else:
            rows = sheet.rows[:6]
        out[table] = Sheet(list(sheet.headings), [list(row) for row in rows])
    return out


def csv_bytes(
    sheet: Sheet, *, delimiter: str = ",", newline: str = "\n", quoting: int = 0
) -> bytes:
    """The sheet as the bytes of a CSV file."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=delimiter, lineterminator=newline, quoting=quoting)
    writer.writerow(sheet.headings)
    writer.writerows(sheet.rows)
    return text.getvalue().encode("utf-8", errors="surrogatepass")


def _row(draw: Draw, sheet: Sheet) -> list[str] | None:
    return sheet.rows[int(draw.integers(len(sheet.rows)))] if sheet.rows else None


def _columns(sheet: Sheet, *parts: str) -> list[int]:
    named = [
        place
        for place, name in enumerate(sheet.headings)
        if any(name.endswith(part) for part in parts)
    ]
    return named or list(range(len(sheet.headings)))


def _put(draw: Draw, sheet: Sheet, texts: tuple[str, ...], *parts: str) -> None:
    """One of the texts into one to three cells of columns whose heading ends so."""
    for _ in range(int(draw.integers(1, 4))):
        row = _row(draw, sheet)
        if row is None:
            return
        place = int(draw.choice(_columns(sheet, *parts)))
        if place < len(row):
            row[place] = str(draw.choice(texts))


def _rewrite(draw: Draw, sheet: Sheet, spell: Callable[[str], str], *parts: str) -> None:
    """Another spelling for one column: one cell, or from a row downwards."""
    if not sheet.rows:
        return
    place = int(draw.choice(_columns(sheet, *parts)))
    first = int(draw.integers(len(sheet.rows)))
    last = len(sheet.rows) if draw.random() < 0.5 else first + 1
    for row in sheet.rows[first:last]:
        if place < len(row) and row[place]:
            row[place] = spell(row[place])


DAYS = ("_date", "_on", "_at")
NUMBERS = ("_mm", "_deg", "_years", "_weeks", "_bridged")
IDS = ("_id",)


def blank_cells(draw: Draw, sheet: Sheet) -> None:
    _put(draw, sheet, ("", " ", "\t"))


def blank_column(draw: Draw, sheet: Sheet) -> None:
    place = int(draw.integers(len(sheet.headings)))
    for row in sheet.rows:
        if place < len(row):
            row[place] = ""


def swap_columns(draw: Draw, sheet: Sheet) -> None:
    """The cells of two columns change places, the headings stay."""
    one, two = draw.integers(len(sheet.headings), size=2)
    for row in sheet.rows:
        if max(one, two) < len(row):
            row[one], row[two] = row[two], row[one]


def reorder_columns(draw: Draw, sheet: Sheet) -> None:
    """Columns with their headings in another order."""
    if not sheet.even():
        return
    order = draw.permutation(len(sheet.headings))
    sheet.headings[:] = [sheet.headings[place] for place in order]
    for row in sheet.rows:
        row[:] = [row[place] for place in order]


def shift_right(draw: Draw, sheet: Sheet) -> None:
    row = _row(draw, sheet)
    if row:
        row.insert(int(draw.integers(len(row))), "")


def shift_left(draw: Draw, sheet: Sheet) -> None:
    row = _row(draw, sheet)
    if row:
        del row[int(draw.integers(len(row)))]


def swap_cells(draw: Draw, sheet: Sheet) -> None:
    """Two dates (or numbers) of one row change places."""
    row = _row(draw, sheet)
    places = [place for place in _columns(sheet, *DAYS) if row and place < len(row)]
    if row and len(places) > 1:
        one, two = draw.choice(places, size=2, replace=False)
        row[one], row[two] = row[two], row[one]


def duplicate_rows(draw: Draw, sheet: Sheet) -> None:
    for _ in range(int(draw.integers(1, 4))):
        row = _row(draw, sheet)
        if row is not None:
            sheet.rows.insert(int(draw.integers(len(sheet.rows) + 1)), list(row))


def near_duplicate(draw: Draw, sheet: Sheet) -> None:
    row = _row(draw, sheet)
    if row:
        twin = list(row)
        twin[int(draw.integers(len(twin)))] = str(draw.choice(("", "1", "2024-01-01", "left")))
        sheet.rows.append(twin)


def delete_rows(draw: Draw, sheet: Sheet) -> None:
    for _ in range(int(draw.integers(1, 4))):
        if sheet.rows:
            del sheet.rows[int(draw.integers(len(sheet.rows)))]


def empty_table(draw: Draw, sheet: Sheet) -> None:
    sheet.rows.clear()


def blank_rows(draw: Draw, sheet: Sheet) -> None:
    place = int(draw.integers(len(sheet.rows) + 1))
    sheet.rows.insert(place, [""] * int(draw.choice((1, len(sheet.headings)))))


def shuffle_rows(draw: Draw, sheet: Sheet) -> None:
    order = draw.permutation(len(sheet.rows))
    sheet.rows[:] = [sheet.rows[place] for place in order]


def total_row(draw: Draw, sheet: Sheet) -> None:
    sheet.rows.append(["Total"] + [str(len(sheet.rows))] * (len(sheet.headings) - 1))


def repeated_headings(draw: Draw, sheet: Sheet) -> None:
    sheet.rows.insert(int(draw.integers(len(sheet.rows) + 1)), list(sheet.headings))


def title_above(draw: Draw, sheet: Sheet) -> None:
    sheet.rows.insert(0, list(sheet.headings))
    sheet.headings[:] = ["Register 2024"] + [""] * (len(sheet.headings) - 1)


def headings_lost(draw: Draw, sheet: Sheet) -> None:
    if sheet.rows:
        sheet.headings[:] = sheet.rows.pop(0)


def heading_case(draw: Draw, sheet: Sheet) -> None:
    spell = (str.upper, str.title, lambda name: f" {name} ", lambda name: name.replace("_", " "))
    change = spell[int(draw.integers(len(spell)))]
    sheet.headings[:] = [change(name) for name in sheet.headings]


def heading_misspelt(draw: Draw, sheet: Sheet) -> None:
    place = int(draw.integers(len(sheet.headings)))
    name = sheet.headings[place]
    sheet.headings[place] = name[:-1] if len(name) > 1 else name + "x"


def heading_twice(draw: Draw, sheet: Sheet) -> None:
    one, two = draw.integers(len(sheet.headings), size=2)
    sheet.headings[one] = sheet.headings[two]


def heading_blank(draw: Draw, sheet: Sheet) -> None:
    sheet.headings[int(draw.integers(len(sheet.headings)))] = ""


def extra_column(draw: Draw, sheet: Sheet) -> None:
    name = str(
        draw.choice(("remarks", "bmi", "date_of_birth", "Unnamed: 3", "surname", "row", "Notiz"))
    )
    place = int(draw.integers(len(sheet.headings) + 1))
    sheet.headings.insert(place, name)
    for row in sheet.rows:
        row.insert(min(place, len(row)), str(draw.choice(("", "note", "12", CANARY))))


def drop_column(draw: Draw, sheet: Sheet) -> None:
    place = int(draw.integers(len(sheet.headings)))
    if len(sheet.headings) > 1:
        del sheet.headings[place]
        for row in sheet.rows:
            del row[place : place + 1]


def change_case(draw: Draw, sheet: Sheet) -> None:
    spell = (str.upper, str.title, str.swapcase)[int(draw.integers(3))]
    _rewrite(draw, sheet, spell)


def other_spelling(draw: Draw, sheet: Sheet) -> None:
    spell: tuple[Callable[[str], str], ...] = (
        lambda text: text.replace("_", " "),
        lambda text: text.replace("_", "-"),
        lambda text: text[0],
        lambda text: text + "s",
        lambda text: text[::-1],
        lambda text: {"yes": "Y", "no": "N", "left": "L", "right": "re", "male": "m"}.get(
            text, text
        ),
    )
    _rewrite(draw, sheet, spell[int(draw.integers(len(spell)))])


def decimal_comma(draw: Draw, sheet: Sheet) -> None:
    _rewrite(
        draw, sheet, lambda text: text.replace(".", ",") if "." in text else text + ",5", *NUMBERS
    )


def with_unit(draw: Draw, sheet: Sheet) -> None:
    unit = str(draw.choice(UNITS))
    _rewrite(draw, sheet, lambda text: text + unit, *NUMBERS)


def centimetres(draw: Draw, sheet: Sheet) -> None:
    def tenth(text: str) -> str:
        try:
            return repr(float(text) / 10)
        except ValueError:
            return text

    _rewrite(draw, sheet, tenth, "_mm")


def tenfold(draw: Draw, sheet: Sheet) -> None:
    _rewrite(draw, sheet, lambda text: text + "0", *NUMBERS)


def sign_changed(draw: Draw, sheet: Sheet) -> None:
    _rewrite(draw, sheet, lambda text: "-" + text, *NUMBERS)


def _respelt_day(pattern: str) -> Callable[[str], str]:
    def spell(text: str) -> str:
        day = pd.to_datetime(text, format="ISO8601", errors="coerce")
        return text if day is pd.NaT else day.strftime(pattern)

    return spell


DAY_PATTERNS = ("%d.%m.%Y", "%m/%d/%Y", "%d/%m/%Y", "%d-%m-%y", "%y-%m-%d", "%Y/%m/%d", "%d %B %Y",
                "%Y%m%d", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d 00:00:00", "%Y", "%m/%Y", "%Y-%m-%d %H:%M:%SZ",
                "%Y-%m", "%Y-%m-%d %H:%M:%S.250", "%b-%y")  # fmt: skip


def date_order(draw: Draw, sheet: Sheet) -> None:
    _rewrite(draw, sheet, _respelt_day(str(draw.choice(DAY_PATTERNS))), *DAYS)


def day_and_month(draw: Draw, sheet: Sheet) -> None:
    _rewrite(draw, sheet, _respelt_day("%Y-%d-%m"), *DAYS)


def serials(draw: Draw, sheet: Sheet) -> None:
    """Days as a spreadsheet counts them (1900 date system: ECMA-376 part 1, 18.17.4)."""

    def spell(text: str) -> str:
        day = pd.to_datetime(text, format="ISO8601", errors="coerce")
        return text if day is pd.NaT else str((day - pd.Timestamp("1899-12-30")).days)

    _rewrite(draw, sheet, spell, *DAYS)


def _moved(days: int) -> Callable[[str], str]:
    def spell(text: str) -> str:
        day = pd.to_datetime(text, format="ISO8601", errors="coerce")
        if day is pd.NaT:
            return text
        return (day + pd.Timedelta(days=days)).strftime("%Y-%m-%d %H:%M").removesuffix(" 00:00")

    return spell


def days_moved(draw: Draw, sheet: Sheet) -> None:
    days = int(draw.choice((-36525, -3653, -366, -31, -1, 1, 31, 366, 3653, 36525)))
    _rewrite(draw, sheet, _moved(days), *DAYS)


def far_days(draw: Draw, sheet: Sheet) -> None:
    _put(draw, sheet, FAR_DAYS, *DAYS)


def false_days(draw: Draw, sheet: Sheet) -> None:
    _put(draw, sheet, FALSE_DAYS, *DAYS)


def huge_values(draw: Draw, sheet: Sheet) -> None:
    _put(draw, sheet, HUGE, *NUMBERS)


def sentinel(draw: Draw, sheet: Sheet) -> None:
    _put(draw, sheet, SENTINELS, *NUMBERS, *DAYS)


def missing_words(draw: Draw, sheet: Sheet) -> None:
    _put(draw, sheet, MISSING_WORDS)


def spreadsheet_errors(draw: Draw, sheet: Sheet) -> None:
    _put(draw, sheet, SPREADSHEET_ERRORS)


def formulas(draw: Draw, sheet: Sheet) -> None:
    _put(draw, sheet, FORMULAS)


def odd_texts(draw: Draw, sheet: Sheet) -> None:
    _put(draw, sheet, ODD_TEXTS)


def odd_ids(draw: Draw, sheet: Sheet) -> None:
    _put(draw, sheet, ODD_TEXTS, *IDS)


def canary(draw: Draw, sheet: Sheet) -> None:
    _put(draw, sheet, (CANARY,))


def whitespace(draw: Draw, sheet: Sheet) -> None:
    pad = str(draw.choice((" ", "  ", "\t", "\u00a0", "\u3000", "\n")))
    _rewrite(draw, sheet, lambda text: pad + text + pad)


def inner_whitespace(draw: Draw, sheet: Sheet) -> None:
    _rewrite(draw, sheet, lambda text: text[:2] + " " + text[2:])


def look_alikes(draw: Draw, sheet: Sheet) -> None:
    swap = str.maketrans({"O": "0", "0": "O", "l": "1", "1": "l", "-": "\u2013", "'": "\u2019"})
    _rewrite(draw, sheet, lambda text: text.translate(swap))


def ids_changed(draw: Draw, sheet: Sheet) -> None:
    spell: tuple[Callable[[str], str], ...] = (
        lambda text: text + "x",
        str.lower,
        lambda text: text[:1] + text[1:].lstrip("0"),
        lambda text: text.replace("0", "1", 1),
        lambda text: text + ".0",
    )
    _rewrite(draw, sheet, spell[int(draw.integers(len(spell)))], *IDS)


def orphan_row(draw: Draw, sheet: Sheet) -> None:
    row = _row(draw, sheet)
    places = [place for place, name in enumerate(sheet.headings) if name.endswith("_id")]
    if row and places and places[-1] < len(row):
        stray = list(row)
        stray[places[-1]] = "C99999"
        sheet.rows.append(stray)


def other_code(draw: Draw, sheet: Sheet) -> None:
    """A cell takes the value of another row: plausible, perhaps wrong."""
    row, other = _row(draw, sheet), _row(draw, sheet)
    if row and other:
        place = int(draw.integers(min(len(row), len(other))))
        row[place] = other[place]


def status_changed(draw: Draw, sheet: Sheet) -> None:
    codes = ("in_treatment", "completed", "stopped_early", "amputated", "died", "lost_to_follow_up")
    _put(draw, sheet, codes, "outcome_status")


def fill_down(draw: Draw, sheet: Sheet) -> None:
    """A column dragged down: every cell as the first."""
    if sheet.rows:
        place = int(draw.integers(len(sheet.headings)))
        for row in sheet.rows:
            if place < min(len(row), len(sheet.rows[0])):
                row[place] = sheet.rows[0][place]


def random_text(draw: Draw, sheet: Sheet) -> None:
    letters = [chr(int(code)) for code in draw.integers(1, 0x2FFF, size=int(draw.integers(1, 30)))]
    _put(draw, sheet, ("".join(letters),))


CHANGES: dict[str, Callable[[Draw, Sheet], None]] = {
    change.__name__: change
    for change in (
        blank_cells, blank_column, swap_columns, reorder_columns, shift_right, shift_left,
        swap_cells, duplicate_rows, near_duplicate, delete_rows, empty_table, blank_rows,
        shuffle_rows, total_row, repeated_headings, title_above, headings_lost, heading_case,
        heading_misspelt, heading_twice, heading_blank, extra_column, drop_column, change_case,
        other_spelling, decimal_comma, with_unit, centimetres, tenfold, sign_changed, date_order,
        day_and_month, serials, days_moved, far_days, false_days, huge_values, sentinel,
        missing_words, spreadsheet_errors, formulas, odd_texts, odd_ids, canary, whitespace,
        inner_whitespace, look_alikes, ids_changed, orphan_row, other_code, status_changed,
        fill_down, random_text,
    )
}  # fmt: skip
#: changes that mostly make a whole source unusable; a run takes them rarely, to get further in
FATAL = (
    "title_above", "headings_lost", "heading_misspelt", "heading_twice", "heading_blank",
    "drop_column", "extra_column",
)  # fmt: skip


def _text(content: bytes) -> str:
    return content.decode("utf-8", errors="replace")


def truncated(draw: Draw, content: bytes) -> bytes:
    return content[: int(draw.integers(len(content) + 1))]


def flipped(draw: Draw, content: bytes) -> bytes:
    changed = bytearray(content)
    for _ in range(int(draw.integers(1, 6))):
        if changed:
            changed[int(draw.integers(len(changed)))] = int(draw.integers(256))
    return bytes(changed)


def stray_quote(draw: Draw, content: bytes) -> bytes:
    place = int(draw.integers(len(content) + 1))
    return content[:place] + b'"' + content[place:]


def stray_separator(draw: Draw, content: bytes) -> bytes:
    place = int(draw.integers(len(content) + 1))
    return content[:place] + bytes(draw.choice((b",", b";", b"\t", b"\n", b"\r"))) + content[place:]


def with_bom(draw: Draw, content: bytes) -> bytes:
    return b"\xef\xbb\xbf" + content


def double_bom(draw: Draw, content: bytes) -> bytes:
    return b"\xef\xbb\xbf" * 2 + content


def other_encoding(draw: Draw, content: bytes) -> bytes:
    name = str(draw.choice(("utf-16", "utf-16-le", "utf-32", "cp1252", "latin-1", "mac_roman")))
    return _text(content).encode(name, errors="replace")


def line_ends(draw: Draw, content: bytes) -> bytes:
    return content.replace(b"\n", bytes(draw.choice((b"\r\n", b"\r", b"\n\n", b"\n\r"))))


def semicolons(draw: Draw, content: bytes) -> bytes:
    return content.replace(b",", bytes(draw.choice((b";", b"\t", b"|", b", "))))


def no_last_line_end(draw: Draw, content: bytes) -> bytes:
    return content.rstrip(b"\r\n")


def null_bytes(draw: Draw, content: bytes) -> bytes:
    place = int(draw.integers(len(content) + 1))
    return content[:place] + b"\x00" * int(draw.integers(1, 4)) + content[place:]


def text_after(draw: Draw, content: bytes) -> bytes:
    return content + bytes(draw.choice((b"\n\n\n", b"end of file\n", b",,,,\n,,,\n", b"\x1a")))


BYTE_CHANGES: dict[str, Callable[[Draw, bytes], bytes]] = {
    change.__name__: change
    for change in (
        truncated, flipped, stray_quote, stray_separator, with_bom, double_bom, other_encoding,
        line_ends, semicolons, no_last_line_end, null_bytes, text_after,
    )
}  # fmt: skip
