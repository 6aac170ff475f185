"""Files that are no .xlsx workbook, each refused with its own advice."""

from __future__ import annotations

from audit.errors import UnusableInput

SAVE_AS = "Open it in a spreadsheet program and save it as .xlsx."
ZIP_MARKS = (b"PK\x03\x04", b"PK\x05\x06")
#: first bytes of the container of older office files, [MS-CFB] 2.2
COMPOUND_FILE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
#: first bytes of other files that people pick by mistake -> what it is and what to do
OTHER_MARKS: dict[bytes, str] = {
    b"%PDF": "a PDF document. Save the tables as an .xlsx workbook.",
    b"SQLite format 3\x00": "a database file. Give it as a URL: sqlite:///NAME.",
    b"\x1f\x8b": "a packed file. Unpack it and give the workbook or the folder inside.",
    b"7z\xbc\xaf\x27\x1c": "a packed file. Unpack it and give the workbook or the folder inside.",
    b"\x89PNG": "a picture. Save the tables as an .xlsx workbook.",
    b"\xff\xd8\xff": "a picture. Save the tables as an .xlsx workbook.",
}
TEXT_ENDINGS = (".csv", ".tsv", ".txt", ".tab")
WORKBOOK_PART = "xl/workbook.xml"


def refuse_other_files(content: bytes, *, name: str) -> None:
    """UnusableInput, with advice, unless the file is a zip archive, as every .xlsx is."""
    if name.startswith(("~$", ".~lock.")):
        raise UnusableInput(
            f"{name} only marks a workbook that is open elsewhere: give the workbook itself."
        )
    if not content.strip(b"\x00"):
        raise UnusableInput(f"{name} is empty: copy it again from where it came from.")
    if content.startswith(COMPOUND_FILE):
        raise UnusableInput(f"{name} {_compound_kind(content)}")
    for mark, what in OTHER_MARKS.items():
        if content.startswith(mark):
            raise UnusableInput(f"{name} is {what}")
    if not content.startswith(ZIP_MARKS):
        raise UnusableInput(f"{name} {_text_kind(content, name)}")


def _compound_kind(content: bytes) -> str:
    streams = {word: word.encode("utf-16-le") in content for word in ("EncryptedPackage", "Book")}
    if streams["EncryptedPackage"]:
        return (
            "is protected by a password. Open it in a spreadsheet program, remove the password "
            "and save it as .xlsx in a place that only your team can open."
        )
    if streams["Book"] or "Workbook".encode("utf-16-le") in content:
        return f"is a workbook of the older kind (.xls). {SAVE_AS}"
    return f"is an older office file and no workbook. {SAVE_AS}"


def _text_kind(content: bytes, name: str) -> str:
    start = content[:4096].lstrip(b"\xef\xbb\xbf\xff\xfe \t\r\n").lower()
    if start.startswith((b"<html", b"<!doctype html", b"<table", b"<meta")):
        return f"is a web page with a table and no workbook. {SAVE_AS}"
    if start.startswith((b"<?xml", b"<workbook")):
        return f"is an XML file and no .xlsx workbook. {SAVE_AS}"
    plain = content[:4096].replace(b"\x00", b"")
    if any(byte < 9 for byte in plain) or b"\x7f" in plain:
        return f"is no workbook. {SAVE_AS}"
    if name.lower().endswith(TEXT_ENDINGS):
        return (
            "is one text table; a source has at least patients and cases. Put patients.csv and "
            "cases.csv into a folder and give the folder."
        )
    return (
        "is a text file and no workbook. If it is one table as CSV, put it into a folder as "
        "patients.csv or cases.csv and give the folder; else save the tables as .xlsx."
    )


def refuse_other_archives(parts: frozenset[str], *, name: str) -> None:
    """UnusableInput, with advice, unless the parts are those of an .xlsx or .xlsm workbook.

    parts: names of the parts in lower case.
    """
    if "xl/workbook.bin" in parts:
        raise UnusableInput(f"{name} is a binary workbook (.xlsb). {SAVE_AS}")
    if WORKBOOK_PART in parts or ("_rels/.rels" in parts and _has_folder(parts, "xl/")):
        return
    if "content.xml" in parts and "meta-inf/manifest.xml" in parts:
        raise UnusableInput(f"{name} is an OpenDocument file (.ods or alike). {SAVE_AS}")
    if _has_folder(parts, "index/") or "index.zip" in parts:
        raise UnusableInput(
            f"{name} is a spreadsheet of another kind (.numbers or alike). Export it as .xlsx from "
            "the program that made it."
        )
    if _has_folder(parts, "word/"):
        raise UnusableInput(
            f"{name} is a text document (.docx). Copy its tables into a workbook, a sheet a table, "
            "and save that as .xlsx."
        )
    if _has_folder(parts, "ppt/"):
        raise UnusableInput(f"{name} is a set of slides (.pptx). Save the tables as .xlsx.")
    raise UnusableInput(
        f"{name} is a packed folder (.zip) and no workbook. Unpack it and give the folder or the "
        "workbook inside."
    )


def _has_folder(parts: frozenset[str], folder: str) -> bool:
    return any(part.startswith(folder) for part in parts)
