"""Aggregates as files: what is written is what is read, and anything else is refused in words."""

from __future__ import annotations

import dataclasses
import hashlib
import json

import pandas as pd
import pytest

from audit.errors import UnusableInput
from audit.intake.aggregate import read_aggregate, read_aggregates
from audit.pooling import aggregate, pool
from audit.release.aggregate_files import save_aggregate
from tests.unit.pooling_centres import centre_run


@pytest.fixture(scope="module")
def centres(demo_tables):
    return [centre_run(demo_tables, name) for name in ("north", "south")]


@pytest.fixture(scope="module")
def made(centres):
    return [aggregate(run, period="quarter:2026Q3") for run in centres]


@pytest.fixture
def folders(made, tmp_path):
    for one in made:
        save_aggregate(one, tmp_path / one.name)
    return [tmp_path / one.name for one in made]


def rewrite(folder, *, table: str | None = None, change=None, record=None) -> None:
    """Change a table (with its hash in the record) or the record itself."""
    home = folder / "aggregate-internal.json"
    held = json.loads(home.read_text(encoding="utf-8"))
    if table:
        path = folder / held["files"][table]["name"]
        path.write_text(change(path.read_text(encoding="utf-8")), encoding="utf-8")
        held["files"][table]["sha256"] = hashlib.sha256(path.read_bytes()).hexdigest()
    home.write_text(json.dumps(held | (record or {})), encoding="utf-8")


def test_what_is_written_is_read(made, folders):
    read = read_aggregates(folders[::-1])
    pd.testing.assert_frame_equal(pool(read), pool(made))
    assert {one.fingerprint for one in read} == {one.fingerprint for one in made}
    assert read[0].definitions == made[1].definitions
    assert (read[0].fewest_people, read[0].level) == (3, "internal")


def test_files_are_the_same_bytes_on_a_second_writing(made, folders, tmp_path):
    names = save_aggregate(made[0], tmp_path / "again")
    assert sorted(names) == sorted(path.name for path in (tmp_path / "again").iterdir())
    for name in names:
        assert (tmp_path / "again" / name).read_bytes() == (folders[0] / name).read_bytes()
        assert "-internal" in name


def test_no_id_of_a_case_patient_or_surgeon_is_in_the_files(centres, folders):
    cases = centres[0].cohort.cases
    ids = {*cases["case_id"], *cases["patient_id"], *cases["surgeon"].dropna()}
    assert len(ids) > 100
    days = {str(day.date()) for day in cases["surgery_date"]}
    for path in folders[0].iterdir():
        text = path.read_text(encoding="utf-8")
        assert not [one for one in ids if f'"{one}"' in text or f",{one}," in text or one in text]
        assert not [day for day in days if day in text and day != "2026-09-30"]


def test_an_exact_aggregate_is_not_saved_among_controlled_releases(made, tmp_path):
    with pytest.raises(UnusableInput, match="not for a folder paper or external"):
        save_aggregate(made[0], tmp_path / "external" / "north")
    with pytest.raises(UnusableInput, match="already holds files"):
        (tmp_path / "full").mkdir()
        (tmp_path / "full" / "a.txt").write_text("x", encoding="utf-8")
        save_aggregate(made[0], tmp_path / "full")


RECORDS = {
    "other form": ({"form": "something"}, "is no aggregate of this kit"),
    "older version": ({"version": 0}, "has version 0 of the form, this kit reads 1"),
    "newer version": ({"version": 2}, "has version 2 of the form"),
    "version as text": ({"version": "one"}, "has version unknown"),
    "no centre": ({"centres": []}, "centres is not as this kit writes it"),
    "centre with a blank": ({"centres": ["Dr A"]}, "centres is not as this kit writes it"),
    "period": ({"period": "2026"}, "period is not as this kit writes it"),
    "cut-off": ({"cutoff": "30.9.2026"}, "cutoff is not as this kit writes it"),
    "level": ({"level": "external"}, "level is not as this kit writes it"),
    "definitions": ({"definitions": [1]}, "definitions is missing or of another kind"),
    "fewest people": ({"fewest_people": 0}, "fewest_people is not as this kit writes it"),
    "path": (
        {"files": {"sums": {"name": "../sums.csv", "sha256": "0"}}},
        "files is not as this kit writes it",
    ),
}


@pytest.mark.parametrize("name", RECORDS)
def test_a_record_that_is_not_ours_is_refused(folders, name):
    change, message = RECORDS[name]
    rewrite(folders[0], record=change)
    with pytest.raises(UnusableInput, match=message):
        read_aggregate(folders[0])


def replace_cell(column: str, value: str, *, line: int = 2):
    """Change one cell of a CSV text."""

    def change(text: str) -> str:
        frame = pd.read_csv(__import__("io").StringIO(text), dtype=str, keep_default_na=False)
        frame.loc[line - 2, column] = value
        return frame.to_csv(index=False)

    return change


TABLES = {
    "text for a number": ("sums", replace_cell("total", "many"), "line 2, column total: a number"),
    "infinite": ("sums", replace_cell("squares", "inf"), "column squares: a number"),
    "half a case": ("sums", replace_cell("n", "7.5"), "column n: a whole number"),
    "below zero": ("sums", replace_cell("missing", "-1"), "column missing: it may not be below 0"),
    "empty": ("sums", replace_cell("total", ""), "column total: the cell is empty"),
    "no measure": ("sums", replace_cell("measure", ""), "column measure: the cell is empty"),
    "kind": ("sums", replace_cell("kind", "guess"), "column kind: one of mean, share"),
    "marker": ("sums", replace_cell("marker", "*"), r"column marker: empty or \[c\]"),
    "people": ("sums", replace_cell("people", "999"), "more people than rows"),
    "hidden yet shown": ("sums", replace_cell("marker", "[c]"), "the row is hidden, yet shown"),
    "column lost": (
        "sums",
        lambda text: text.replace(",cross,", ",other,"),
        "its columns must be measure, kind",
    ),
    "row twice": (
        "sums",
        lambda text: text + text.splitlines()[1] + "\n",
        "a row with the same measure, kind, group_by, group stands above",
    ),
    "steps": ("steps", replace_cell("events", "99"), "do not add up to their curve"),
    "steps lost": (
        "steps",
        lambda text: "\n".join([text.splitlines()[0], *text.splitlines()[4:]]) + "\n",
        "do not add up to their curve",
    ),
    "curve lost": (
        "curves",
        lambda text: "\n".join([text.splitlines()[0], *text.splitlines()[2:]]) + "\n",
        "there is no curve for the steps of",
    ),
}


@pytest.mark.parametrize("name", TABLES)
def test_a_table_that_cannot_be_true_is_refused_with_its_place(folders, name):
    table, change, message = TABLES[name]
    rewrite(folders[0], table=table, change=change)
    with pytest.raises(UnusableInput, match=message) as refused:
        read_aggregate(folders[0])
    assert f"{table}-internal.csv" in str(refused.value) or "steps" in str(refused.value)
    assert str(folders[0]) not in str(refused.value)
    assert "999" not in str(refused.value)


def test_a_changed_or_missing_file_is_refused(folders):
    path = folders[0] / "sums-internal.csv"
    path.write_bytes(path.read_bytes() + b"\n")
    with pytest.raises(UnusableInput, match="was changed after it was written"):
        read_aggregate(folders[0])
    path.unlink()
    with pytest.raises(UnusableInput, match="is missing: ask for the whole aggregate again"):
        read_aggregate(folders[0])


def test_a_folder_without_an_aggregate_is_refused(folders, tmp_path):
    with pytest.raises(UnusableInput, match="nowhere holds none"):
        read_aggregate(tmp_path / "nowhere")
    record = folders[0] / "aggregate-internal.json"
    (folders[0] / "aggregate-external.json").write_bytes(record.read_bytes())
    with pytest.raises(UnusableInput, match="holds two"):
        read_aggregate(folders[0])
    (folders[0] / "aggregate-external.json").unlink()
    record.write_bytes(b"{not json")
    with pytest.raises(UnusableInput, match="is not valid JSON"):
        read_aggregate(folders[0])


def test_a_centre_given_twice_is_refused(folders):
    with pytest.raises(UnusableInput, match="The centre north stands in two aggregates"):
        read_aggregates([folders[0], folders[0]])


def test_a_centre_without_a_code_gets_one(centres):
    run = centres[0]
    tables = {**run.cohort.tables, "cases": run.cohort.cases.assign(centre=pd.NA)}
    run = dataclasses.replace(run, cohort=dataclasses.replace(run.cohort, tables=tables))
    with pytest.raises(UnusableInput, match="have no centre code"):
        aggregate(run, period="quarter:2026Q3")
    with pytest.raises(UnusableInput, match="never a name"):
        aggregate(run, period="quarter:2026Q3", centre="A. Person")
    assert aggregate(run, period="quarter:2026Q3", centre="east").centres == ("east",)
