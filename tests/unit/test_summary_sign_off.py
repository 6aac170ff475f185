"""A release may leave only when every byte is as checked and two different people approve.

SHA-256 of "abc": FIPS 180-4 example. Two trained checkers, independent, approve / change / reject:
output-checking rules of trusted research environments (SACRO guide 2023, doi
10.5281/zenodo.10054629).
"""

from __future__ import annotations

import dataclasses
import re

import pytest

from audit.release.summary import save_release, verify_release, write_manifest
from audit.release.summary.manifest import manifest_problems
from audit.release.summary.sign_off import QUESTIONS, parse_sign_off
from tests.unit.summary_release import facts, release

ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
FORM = "sign-off-external.toml"


def fill(text: str, names=("Checker One", "Checker Two")) -> str:
    """The form as two people would fill it."""
    for name in names:
        text = text.replace('\nname = ""', f'\nname = "{name}"', 1)
    text = text.replace('role = ""', 'role = "output checker"')
    text = text.replace('date = ""', 'date = "2026-11-03"')
    text = text.replace('outcome = ""', 'outcome = "approve"')
    for key in QUESTIONS:
        text = text.replace(f'{key} = ""', f'{key} = "yes"')
    text = text.replace('decision = ""', 'decision = "release"')
    text = text.replace('reason = ""', 'reason = "a count of none of a device is not sensitive"')
    return text.replace('decided_by = ""', 'decided_by = "head of the service"')


@pytest.fixture
def signed(tmp_path):
    """A signed release; returns the folder given to save_release."""
    save_release(release(), tmp_path, level="external", facts=facts())
    form = tmp_path / FORM
    form.write_text(fill(form.read_text(encoding="utf-8")), encoding="utf-8")
    return tmp_path


def change_form(home, old: str, new: str, count: int = -1) -> None:
    text = (home / FORM).read_text(encoding="utf-8")
    assert old in text
    (home / FORM).write_text(text.replace(old, new, count), encoding="utf-8")


def test_the_manifest_holds_the_published_hash_of_abc(tmp_path):
    (tmp_path / "b.txt").write_bytes(b"abc")
    (tmp_path / "a.txt").write_bytes(b"")
    own = write_manifest(tmp_path)
    text = (tmp_path / "manifest.sha256").read_text()
    assert text.splitlines()[1] == f"{ABC}  b.txt"
    assert [line.split("  ")[1] for line in text.splitlines()] == ["a.txt", "b.txt"]
    assert own == write_manifest(tmp_path)  # an earlier manifest is not listed in itself
    assert manifest_problems(tmp_path, name="manifest.sha256") == []


def test_a_signed_release_has_no_problems(signed):
    assert verify_release(signed) == []


def test_a_fresh_release_lacks_everything_that_people_must_type(tmp_path):
    save_release(release(), tmp_path, level="external", facts=facts())
    problems = verify_release(tmp_path)
    assert any("checker 1: still empty: name, role, date, outcome" in one for one in problems)
    assert any("checker 2" in one for one in problems)
    assert any("cohort-flag-1: no decision" in one for one in problems)


def test_every_byte_of_every_file_counts(signed):
    for path in sorted((signed / "external").iterdir()):
        content = path.read_bytes()
        for place in (0, len(content) // 2, len(content) - 1):
            changed = bytearray(content)
            changed[place] ^= 1
            path.write_bytes(bytes(changed))
            assert verify_release(signed), f"{path.name} byte {place}"
        path.write_bytes(content)
    assert verify_release(signed) == []


def test_a_file_that_came_or_went_is_named(signed):
    extra = signed / "external" / "patients.csv"
    extra.write_text("x")
    assert verify_release(signed) == ["external: patients.csv is not in manifest-external.sha256"]
    extra.unlink()
    (signed / "external" / "cover-external.csv").unlink()
    assert verify_release(signed) == ["external: cover-external.csv is missing"]


def test_problems_of_files_and_of_the_sign_off_are_told_together(signed):
    (signed / "external" / "cover-external.csv").unlink()
    change_form(signed, 'outcome = "approve"', 'outcome = ""', 1)
    assert verify_release(signed) == [
        "external: cover-external.csv is missing",
        "external: checker 1: still empty: outcome",
    ]


def test_a_file_in_a_folder_below_is_found(signed):
    (signed / "external" / "more").mkdir()
    (signed / "external" / "more" / "x.csv").write_text("x")
    assert verify_release(signed) == ["external: more/x.csv is not in manifest-external.sha256"]


def test_a_changed_manifest_no_longer_fits_the_sign_off(signed):
    """Whoever changes a file and writes the manifest anew is found by the hash that was signed."""
    (signed / "external" / "notes-external.csv").write_text("other")
    write_manifest(signed / "external", name="manifest-external.sha256")
    assert verify_release(signed) == [
        "external: the sign-off is for other files: the hash of the manifest does not fit"
    ]


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("Checker One", "Checker One"),
        ("Checker One", "  checker   one "),
        ("Ana López", "LOPEZ, Ana"),
        ("Dr. X Ypsilon", "dr x ypsilon"),
    ],
)
def test_one_person_twice_is_not_two_checkers(tmp_path, first, second):
    save_release(release(), tmp_path, level="external", facts=facts())
    form = tmp_path / FORM
    text = fill(form.read_text(encoding="utf-8"), names=(first, second))
    form.write_text(text, encoding="utf-8")
    assert verify_release(tmp_path) == [
        "external: the checkers are one person: two people must sign"
    ]


def test_one_checker_alone_is_not_enough(signed):
    text = (signed / FORM).read_text(encoding="utf-8")
    (signed / FORM).write_text(text.partition("# checker 2")[0], encoding="utf-8")
    assert verify_release(signed) == ["external: the sign-off needs 2 checkers; it has 1"]


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        ('outcome = "approve"', 'outcome = "reject"', "did not approve: outcome reject"),
        ('outcome = "approve"', 'outcome = "fine"', "must be one of approve, change, reject"),
        ('date = "2026-11-03"', 'date = "3.11.2026"', "date is not a day"),
        ('date = "2026-11-03"', 'date = "2026-02-30"', "date is not a day"),
        ('role = "output checker"', 'role = " "', "still empty: role"),
        ('outsider = "yes"', 'outsider = "no"', "not answered with yes: outsider"),
        ('decision = "release"', 'decision = "change"', "no decision to release"),
        ('reason = "a', 'reason = ""  # "a', "cohort-flag-1: reason is empty"),
        ('flag = "cohort-flag-1"', 'flag = "other"', "cohort-flag-1: no decision"),
        ('level = "external"', 'level = "internal"', "not for level external"),
    ],
)
def test_each_fault_of_the_form_is_named_and_no_name_is_repeated(signed, old, new, problem):
    change_form(signed, old, new, 1)
    problems = verify_release(signed)
    assert len(problems) == 1 and problem in problems[0]
    assert not re.search("checker (one|two)", problems[0], flags=re.IGNORECASE)


def test_a_date_typed_without_quotes_is_a_date(signed):
    change_form(signed, 'date = "2026-11-03"', "date = 2026-11-03")
    assert verify_release(signed) == []


def test_a_form_that_cannot_be_read_says_in_which_line(signed):
    change_form(signed, 'role = "output checker"', "role = output checker", 1)
    (problem,) = verify_release(signed)
    line = (signed / FORM).read_text().splitlines().index("role = output checker") + 1
    assert f"cannot be read in line {line}:" in problem
    assert "output checker" not in problem
    (signed / FORM).unlink()
    assert "is missing or cannot be read" in verify_release(signed)[0]


def test_a_form_of_a_text_editor_with_a_byte_order_mark_is_read(signed):
    text = (signed / FORM).read_text(encoding="utf-8")
    (signed / FORM).write_text(text.replace("\n", "\r\n"), encoding="utf-8-sig", newline="")
    assert verify_release(signed) == []


def test_an_answer_that_is_no_table_is_a_problem_and_no_crash():
    form = parse_sign_off('checker = "me"\ndecision = 1\n')
    assert isinstance(form, dict)
    from audit.release.summary.sign_off import sign_off_problems

    problems = sign_off_problems(form, level="external", manifest_sha256="x", flags=("a",))
    assert any("needs 2 checkers; it has 0" in one for one in problems)


def test_an_internal_release_needs_no_signature_but_its_bytes_count(tmp_path):
    save_release(release("internal"), tmp_path, level="internal", facts=facts())
    assert verify_release(tmp_path) == []
    assert not list(tmp_path.glob("sign-off*"))
    (tmp_path / "internal" / "notes-internal.csv").write_text("x")
    assert verify_release(tmp_path) == [
        "internal: notes-internal.csv has changed since it was written"
    ]


def test_a_damaged_package_file_cannot_hide_a_flag(signed):
    path = signed / "external" / "datapackage.json"
    path.write_text("{}", encoding="utf-8")
    problems = verify_release(signed)
    assert any("flags cannot be compared" in one for one in problems)
    assert any("datapackage.json has changed" in one for one in problems)


def test_a_folder_without_a_release_says_so(tmp_path):
    assert "no release" in verify_release(tmp_path)[0]


def test_a_damaged_manifest_is_named_by_line(signed):
    path = signed / "external" / "manifest-external.sha256"
    lines = path.read_text().splitlines()
    path.write_text("\n".join(["not a hash", *lines[1:]]) + "\n")
    assert any("line 1 is not a hash" in one for one in verify_release(signed))


def test_small_cells_of_a_paper_are_decided_together(tmp_path):
    flags = ("small cell: sex male: rests on few people", "small cell: sex other: rests on few")
    tables = [dataclasses.replace(one, flags=flags) for one in release("paper")]
    save_release(tables, tmp_path, level="paper", facts=facts())
    text = (tmp_path / "sign-off-paper.toml").read_text(encoding="utf-8")
    assert text.count("[[decision]]") == 1 and "# 6 small cells, listed" in text
    note = (tmp_path / "paper" / "release-note-paper.txt").read_text(encoding="utf-8")
    assert note.count("Needs a decision (small-cells): small cell: sex male") == 3
    assert any("small-cells: no decision" in one for one in verify_release(tmp_path))
    (tmp_path / "sign-off-paper.toml").write_text(fill(text), encoding="utf-8")
    assert verify_release(tmp_path) == []


def test_a_coarser_grouping_is_told_but_waits_for_nobody(signed):
    note = (signed / "external" / "release-note-external.txt").read_text(encoding="utf-8")
    assert "To be known: coarser grouping: segments were merged" in note
    assert (signed / FORM).read_text(encoding="utf-8").count("[[decision]]") == 1
