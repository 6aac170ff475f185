"""Abbreviations of tables and texts, each explained in a note where it stands."""

from __future__ import annotations

import dataclasses
import re

from audit.tables.shown import ShownTable

ABBREVIATIONS: dict[str, str] = {
    "CI": "confidence interval",
    "SD": "standard deviation",
    "SE": "standard error",
    "IQR": "interquartile range",
    "SMD": "standardised mean difference",
    "HR": "hazard ratio",
    "OR": "odds ratio",
    "RR": "risk ratio",
    "KM": "Kaplan-Meier",
    "DOI": "digital object identifier",
    "STROBE": "Strengthening the Reporting of Observational Studies in Epidemiology",
    "RECORD": "Reporting of studies Conducted using Observational Routinely-collected health Data",
    "PROCESS": "Preferred Reporting Of CasE Series in Surgery",
    "mLDFA": "mechanical lateral distal femoral angle",
    "MPTA": "medial proximal tibial angle",
    "MAD": "mechanical axis deviation",
    "n": "number with a value",
    "N": "number of all",
    "mm": "millimetres",
    "cm": "centimetres",
}
#: capitals that are no abbreviation: Roman numerals of severity types
_NUMERALS = re.compile(r"[IVX]+[AB]?")
_CAPITALS = re.compile(r"(?<![\w#@\[-])(?:[A-Z]{2,}|m?[A-Z]{3,})(?![\w-])")
#: explained in every table that has them, though they are not capitals
_SMALL = ("n/N",)


def found_in(*texts: str) -> list[str]:
    """The abbreviations of capitals in some texts, in the order of first appearance."""
    whole = "\n".join(texts)
    return [one for one in dict.fromkeys(_CAPITALS.findall(whole)) if not _NUMERALS.fullmatch(one)]


def texts_of(table: ShownTable) -> list[str]:
    """Caption, headings, cells and notes of a table."""
    frame = table.frame
    cells = [str(cell) for column in range(frame.shape[1]) for cell in frame.iloc[:, column]]
    return [table.caption, *map(str, frame.columns), *cells, *table.notes]


def unexplained(table: ShownTable) -> list[str]:
    """The abbreviations that no note of the table explains."""
    notes = "\n".join(table.notes)
    return [one for one in found_in(*texts_of(table)) if f"{one}: " not in notes]


def with_notes(table: ShownTable) -> ShownTable:
    """The table with a note that explains its abbreviations, those that the kit knows."""
    words = [f"{one}: {ABBREVIATIONS[one]}" for one in unexplained(table) if one in ABBREVIATIONS]
    if not words:
        return table
    return dataclasses.replace(table, notes=(*table.notes, f"{'; '.join(words)}."))
