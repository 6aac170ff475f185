"""Nothing that was planted in the case tables is in any file that may leave.

What is planted follows the identifiers of US 45 CFR 164.514(b)(2): name, telephone, e-mail, record
number, serial number, day, codes of persons, free text; in every column that could hold it.
"""

from __future__ import annotations

import io
import re
import zipfile

import pytest

from schemas import TABLES
from schemas.leaving import NEVER, how_it_leaves
from tests.unit.canary_export import (
    CODES,
    DAY,
    HEADING,
    NAME,
    TEXT,
    contents,
    exported,
    held,
)

ISO_DAY = re.compile(rb"(?:19|20)\d\d-[01]\d-[0-3]\d")


@pytest.fixture(scope="module")
def done():
    return exported()


def test_the_marks_were_read(done):
    """Without this the rest could pass on an empty source."""
    frames = done.run.tables.frames
    for table, contract in TABLES.items():
        held_here = frames[table]
        if held_here.empty:
            continue
        for column, schema in contract.columns.items():
            never = how_it_leaves(table, column) == NEVER and (table, column) not in CODES
            if schema.metadata["kind"] == "text" and never:
                texts = held_here[column].dropna().astype(str)
                assert texts.str.contains("Q").any(), (table, column)
        assert HEADING in held_here
    cases = done.run.cohort.cases
    assert len(cases) > 40 and cases["surgeon"].str.startswith("QFDOC").all()
    assert (cases["surgery_date"].dt.date == DAY).any()
    assert cases["centre"].str.contains(NAME).any()
    inside = (done.folder / "cases_measured.csv").read_bytes()
    assert held(inside), "the files of the department do hold ids"


@pytest.mark.parametrize("level", ["external", "paper", "internal"])
def test_no_byte_of_a_release_holds_a_mark(done, level):
    files = contents(done.folder / level)
    assert len(files) > 70 and any(name.endswith("sheet1.xml") for name in files)
    found = {
        name: marks for name, content in files.items() if (marks := held(content + name.encode()))
    }
    assert found == {}


def test_the_only_day_in_an_external_file_is_that_of_its_making(done):
    made = {
        match.decode()
        for name, content in contents(done.folder / "external").items()
        for match in ISO_DAY.findall(content)
    }
    assert len(made) == 1


def test_the_sign_off_holds_no_mark(done):
    for path in done.folder.glob("sign-off-*.toml"):
        assert held(path.read_bytes()) == []


def test_a_mark_would_be_found(tmp_path):
    """The search sees text, other cases, UTF-16 and members of archives."""
    for number, content in enumerate((TEXT.encode(), TEXT.upper().encode(), TEXT.encode("utf-16"))):
        assert NAME in held(content), number
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/sharedStrings.xml", f"<t>{TEXT}</t>")
    (tmp_path / "book.xlsx").write_bytes(packed.getvalue())
    found = contents(tmp_path)
    assert NAME in held(found["book.xlsx:xl/sharedStrings.xml"])
