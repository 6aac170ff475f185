"""What the XML parts of a workbook say: its sheets, number formats, and the marks of one sheet.

Cells are read by the reading library. Here stands only what that library does not tell: formulas,
merged areas, hidden rows and columns, formats. Element and attribute names: ISO/IEC 29500-1,
18.2 to 18.8.
"""

from __future__ import annotations

import dataclasses
import posixpath
import re
from collections.abc import Callable, Iterable
from xml.etree import ElementTree

from audit.errors import UnusableInput
from audit.intake.workbook.guard import MIB, Package, damaged

LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
#: largest part that is taken apart as a tree, which needs some ten times its size: styles of a
#: workbook full of copied formats reach 20 MiB
MAX_PARSED_BYTES = 48 * MIB
TRUE = ("1", "true")
#: number formats that need no entry of their own -> whether they show hours (18.8.30)
BUILT_IN_HOURS = frozenset({18, 19, 20, 21, 22, 32, 33, 34, 35, 45, 46, 47, 55, 56})
BUILT_IN_PERCENT = frozenset({9, 10})
NOT_SHOWN = re.compile(r"\[[^$\]][^\]]*\]|_.|\*.")
LITERAL = re.compile(r'"([^"]*)"|\\(.)|\[\$([^\]-]*)[^\]]*\]')


@dataclasses.dataclass(frozen=True)
class Sheet:
    """One worksheet as the workbook lists it. state: visible, hidden or veryHidden."""

    name: str
    state: str
    part: str


@dataclasses.dataclass(frozen=True)
class Formats:
    """Number formats by the style number that cells name.

    of_style: (number of the format, its code) for each style. with_hours: styles that show an
    hour. with_unit: styles that show a letter, a percent sign or a scaled number.
    """

    of_style: tuple[tuple[int, str], ...] = ()

    @property
    def with_hours(self) -> frozenset[int]:
        return self._where(_shows_hours)

    @property
    def with_unit(self) -> frozenset[int]:
        return self._where(_shows_unit)

    def _where(self, shows: Callable[[int, str], bool]) -> frozenset[int]:
        return frozenset(
            at for at, (number, code) in enumerate(self.of_style) if shows(number, code)
        )


@dataclasses.dataclass(frozen=True)
class Book:
    """What the workbook says of itself. strings: part of the texts that cells share.
    counts_from_1904: the date system of its dates.

    waits_for_calculation: formulas are to be calculated on opening, so stored values may be
    placeholders. calculated_by_hand: stored values may be older than the cells they use.
    """

    sheets: tuple[Sheet, ...]
    strings: str | None
    formats: Formats
    counts_from_1904: bool
    waits_for_calculation: bool
    calculated_by_hand: bool


def read_book(package: Package) -> Book:
    """The sheets of a workbook and how it stores dates. UnusableInput when it is damaged."""
    part = _book_part(package)
    root = parsed(package.read(part), package.name)
    links = _links(package, part)
    sheets = []
    for item in root.iterfind("{*}sheets/{*}sheet"):
        ids = [value for key, value in item.attrib.items() if key.endswith("}id")]
        kind, target = links.get(ids[0] if ids else "", ("", ""))
        if kind == "worksheet":
            name, state = item.get("name", ""), item.get("state", "visible")
            sheets.append(Sheet(name, state, target))
    by_kind = {kind: target for kind, target in links.values() if target in package.parts}
    properties, calculation = root.find("{*}workbookPr"), root.find("{*}calcPr")
    return Book(
        sheets=tuple(sheets),
        strings=by_kind.get("sharedstrings"),
        formats=_formats(package, by_kind.get("styles")),
        counts_from_1904=_says(properties, "date1904", TRUE),
        waits_for_calculation=_says(calculation, "fullCalcOnLoad", TRUE),
        calculated_by_hand=_says(calculation, "calcMode", ("manual",)),
    )


def parsed(xml: bytes, name: str) -> ElementTree.Element:
    """The tree of a part. UnusableInput when it is not well formed, or too large for a tree."""
    if len(xml) > MAX_PARSED_BYTES:
        raise UnusableInput(
            f"{name} is spelt in a way that cannot be read at its size. Open it in a spreadsheet "
            "program and save it as .xlsx."
        )
    try:
        return ElementTree.fromstring(xml)
    except ElementTree.ParseError:
        raise damaged(name) from None


def respelt(tree: ElementTree.Element, name: str) -> bytes:
    """A tree as plain XML: no prefixes, remarks or marked sections."""
    for item in tree.iter():
        item.tag = item.tag.rsplit("}", 1)[-1]
    try:
        return ElementTree.tostring(tree, encoding="utf-8")
    except RecursionError:
        raise damaged(name) from None


def _says(item: ElementTree.Element | None, attribute: str, words: Iterable[str]) -> bool:
    return item is not None and item.get(attribute, "").lower() in words


def _book_part(package: Package) -> str:
    links = _links(package, "")
    for kind, target in links.values():
        if kind == "officedocument" and target in package.parts:
            return target
    return "xl/workbook.xml"


def _links(package: Package, part: str) -> dict[str, tuple[str, str]]:
    """Relationship id -> (kind in lower case, part it points to); links outwards are left out."""
    folder, file = posixpath.split(part)
    listing = posixpath.join(folder, "_rels", f"{file}.rels")
    if listing not in package.parts:
        return {}
    links = {}
    for item in parsed(package.read(listing), package.name):
        if item.get("TargetMode", "").lower() != "external":
            target = posixpath.normpath(posixpath.join("/", folder, item.get("Target", "")))
            kind = item.get("Type", "").rsplit("/", 1)[-1].lower()
            links[item.get("Id", "")] = kind, target.lstrip("/").lower()
    return links


def totals_rows(package: Package, sheet: Sheet) -> frozenset[int]:
    """Rows of a sheet that are the totals row of one of its tables (18.5.1.2)."""
    rows = set()
    for kind, part in _links(package, sheet.part).values():
        if kind == "table" and part in package.parts:
            table = parsed(package.read(part), package.name)
            if table.get("totalsRowCount", "0") not in ("", "0"):
                rows.add(whole(table.get("ref", "").rsplit(":", 1)[-1].lstrip(LETTERS), 0))
    return frozenset(rows)


def _formats(package: Package, part: str | None) -> Formats:
    if part is None:
        return Formats()
    root = parsed(package.read(part), package.name)
    codes = {
        item.get("numFmtId", ""): item.get("formatCode", "")
        for item in root.iterfind("{*}numFmts/{*}numFmt")
    }
    styles = []
    for item in root.iterfind("{*}cellXfs/{*}xf"):
        number = item.get("numFmtId", "0")
        styles.append((whole(number, 0), codes.get(number, "")))
    return Formats(tuple(styles))


def _shows_hours(number: int, code: str) -> bool:
    bare = LITERAL.sub("", NOT_SHOWN.sub("", code))
    return number in BUILT_IN_HOURS if not code else "h" in bare.lower()


def _shows_unit(number: int, code: str) -> bool:
    """Whether a format shows a number as something else than it is: "3.8 cm", 50 %, thousands."""
    if not code:
        return number in BUILT_IN_PERCENT
    first = NOT_SHOWN.sub("", code.split(";")[0])
    words = "".join(map("".join, LITERAL.findall(first)))
    bare = LITERAL.sub("", first)
    scaled = "%" in bare or re.search(r"[0#?],+(\.|$|\s)", bare) is not None
    is_number = re.search(r"[0#?]|General", bare) is not None and not re.search("[ymdhs]", bare)
    return is_number and (scaled or re.search(r"[^\W\d_]", words) is not None)


def whole(text: str | None, otherwise: int) -> int:
    """The whole number that a text is, else another."""
    return int(text) if text and re.fullmatch(r"[0-9]{1,9}", text) else otherwise


def column_number(letters: str) -> int:
    """The number of a column from its letters: A is 1, AA is 27."""
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - 64
    return number


def column_letters(number: int) -> str:
    """The letters of a column from its number."""
    letters = ""
    while number > 0:
        number, rest = divmod(number - 1, 26)
        letters = chr(65 + rest) + letters
    return letters
