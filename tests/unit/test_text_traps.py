"""Import traps of text files: each is read right or asked about, and never silently wrong.

Every trap is a folder of `tests/traps/text` that holds the files which differ from `base`, seven
cases cut out of the demo data. `asked` lists every question of reading and every error of judging
(table, row, column, value, rule); apart from the cells of these questions, what is typed must equal
what `base` gives, and the cleaning log must hold `changed` and nothing else.

The traps themselves are common practice, no published source, except: quoting, RFC 4180; dates, ISO
8601-1:2019; codes of sex, ISO/IEC 5218 (1 male, 2 female); day numbers of spreadsheets, ISO/IEC
29500-1:2016, 18.17.4.1 (day 1 = 1 January 1900, with the leap day that 1900 did not have; or counted
from 1904); error values, the same, 18.17.3; byte-order marks, the Unicode standard, 23.8.
"""

from __future__ import annotations

import dataclasses
import datetime
import pathlib
import shutil
import time
import tracemalloc

import numpy as np
import pandas as pd
import pytest

import audit
from audit.errors import UnusableInput
from audit.intake.csv_text import read_grid
from audit.intake.hints import general_message, number_hint
from audit.intake.hints_days import day_hint
from audit.tables.front import query_table

TRAPS = pathlib.Path(__file__).resolve().parents[1] / "traps" / "text"
READ_ON = datetime.date(2026, 11, 2)
SPELT = "heading spelt as in the contract"
BLANKS = "blanks around the value removed"
UNSEEN = "invisible characters removed"


@dataclasses.dataclass(frozen=True)
class Trap:
    """What must happen. asked: a line a question, "row column value -> rule | words of the hint",
    of the table named before it ("cases" if none); "-" = no row or no column, <none> = no value.
    changed: the cleaning log. same: apart from what is asked about, the cells are those of `base`."""

    asked: str = ""
    changed: tuple[tuple[str, str, str, int], ...] = ()
    same: bool = True


def questions(text: str) -> list[tuple[str, str, str, str, str, str]]:
    """(table, row, column, value, rule, hint) of each line."""
    found, table = [], "cases"
    for line in filter(None, (line.strip() for line in text.splitlines())):
        if line.endswith(":"):
            table = line[:-1]
            continue
        place, _, said = line.partition(" -> ")
        rule, _, hint = said.partition(" | ")
        row, column, value = place.split(" ", 2)
        shown = ["" if part == "-" else part for part in (row, column)]
        shown.append("" if value == "<none>" else value.encode().decode("unicode_escape"))
        found.append((table, *shown, rule, hint))
    return found


DATE, NUMBER, CODE = "not_a_date", "not_a_number", "not_in_code_list"

TRAPS_BY_NAME: dict[str, Trap] = {
    # -- dates
    "dates_open_order": Trap(f"""
        2 union_date 02/02/2022 -> {DATE} | looks like 2022-02-02.
        3 union_date 01/02/2022 -> {DATE} | could be 2022-02-01 or 2022-01-02. Nothing in the column
        4 union_date 10/11/2022 -> {DATE} | could be 2022-11-10 or 2022-10-11. Nothing in the column
        """),
    "dates_day_first": Trap(f"""
        3 union_date 01/02/2022 -> {DATE} | put the day first, so 2022-02-01 is likely
        4 union_date 18/10/2022 -> {DATE} | looks like 2022-10-18 (day first)
        """),
    "dates_month_first": Trap(f"""
        3 union_date 01/02/2022 -> {DATE} | put the month first, so 2022-01-02 is likely
        4 union_date 10/18/2022 -> {DATE} | looks like 2022-10-18 (month first)
        """),
    "dates_both_orders": Trap(f"""
        2 union_date 02/03/2022 -> {DATE} | The column mixes both orders
        3 union_date 01/28/2022 -> {DATE} | looks like 2022-01-28 (month first)
        4 union_date 18/10/2022 -> {DATE} | looks like 2022-10-18 (day first)
        """),
    "dates_points_and_words": Trap(f"""
        2 union_date 02.03.2022 -> {DATE} | Between points the day comes first by custom, so 2022-03-02
        3 union_date 28. Januar 2022 -> {DATE} | looks like 2022-01-28
        4 union_date 18 Oct 2022 -> {DATE} | looks like 2022-10-18
        6 union_date June 10, 2026 -> {DATE} | looks like 2026-06-10
        2 device_removal_date 04-Oct-22 -> {DATE} | looks like 2022-10-04 if the year is meant so
        3 device_removal_date 18 janvier 2023 -> {DATE} | looks like 2023-01-18
        4 device_removal_date 3. VIII 2023 -> {DATE} | unknown.
        """),
    "dates_year_first": Trap(f"""
        2 union_date 2022/02/02 -> {DATE} | looks like 2022-02-02
        3 union_date 20220128 -> {DATE} | looks like 2022-01-28
        4 union_date 2022-10-8 -> {DATE} | looks like 2022-10-08
        6 union_date 2026.06.10 -> {DATE} | looks like 2026-06-10
        2 device_removal_date 2022\\u201310\\u201304 -> {DATE} | looks like 2022-10-04
        3 device_removal_date 2023 01 18 -> {DATE} | looks like 2023-01-18
        """),
    "dates_two_digit_year": Trap(f"""
        2 union_date 02/02/22 -> {DATE} | two digits; it could be 2022-02-02 or 2002-02-22.
        3 union_date 28.01.22 -> {DATE} | two digits; looks like 2022-01-28 (day first)
        4 union_date 10-18-22 -> {DATE} | two digits; looks like 2022-10-18 (month first)
        6 union_date 10/06/126 -> {DATE} | the year does not have four digits
        """),
    "dates_day_numbers": Trap(f"""
        2 union_date 44594 -> {DATE} | day number, which would be 2022-02-02 (or 2026-02-03
        3 union_date 44589.5 -> {DATE} | day number, which would be 2022-01-28 (or 2026-01-29
        4 union_date 1666051200 -> {DATE} | unknown.
        """),
    "dates_with_times": Trap(
        f"""
        4 union_date 2022-10-18 14:30 -> {DATE} | leave out the time of day
        6 union_date 10/06/2026 00:00 -> {DATE} | could be 2026-06-10 or 2026-10-06
        2 device_removal_date 2022-10-04T00:00:00Z -> {DATE} | leave the time zone out
        """,
        (("cases", "union_date", "time 00:00 after the day left out", 2),),
    ),
    "dates_incomplete": Trap(f"""
        2 union_date 2022 -> {DATE} | the day is missing
        3 union_date 2022-01 -> {DATE} | the day is missing
        4 union_date 10/2022 -> {DATE} | the day is missing
        """),
    "dates_impossible": Trap(f"""
        2 union_date 2022-02-30 -> {DATE} | there is no such day
        3 union_date 2022-13-01 -> {DATE} | there is no such day
        4 union_date 1022-10-18 -> {DATE} | check the year
        6 union_date 31/31/2026 -> {DATE} | no order of its parts gives a day
        2 device_removal_date 0000-00-00 -> {DATE} | there is no such day
        3 device_removal_date soon -> {DATE} | unknown.
        """),
    # -- numbers
    "numbers_decimal_comma": Trap(f"""
        7 age_at_surgery_years 49,7 -> {NUMBER} | decimal comma; write 49.7
        2 achieved_gain_mm 42,5 -> {NUMBER} | decimal comma; write 42.5
        6 final_gain_mm 5,5 -> {NUMBER} | decimal comma; write 5.5
        """),
    "numbers_thousands": Trap(f"""
        2 segment_length_before_mm 1,417 -> {NUMBER} | it could be 1417 or 1.417
        4 segment_length_before_mm 1.430 -> {NUMBER} | it could be 1430 or 1.430
        5 segment_length_before_mm 1 447 -> {NUMBER} | write 1447 if that is meant
        6 segment_length_before_mm 1\\u202f272 -> {NUMBER} | write 1272 if that is meant
        7 segment_length_before_mm 1'341 -> {NUMBER} | write 1341 if that is meant
        8 segment_length_before_mm 1.344,5 -> {NUMBER} | write 1344.5 if that is meant
        2 discrepancy_before_mm 1.200 -> {NUMBER} | it could be 1200 or 1.200
        3 discrepancy_before_mm 1,200.5 -> {NUMBER} | write 1200.5 if that is meant
        4 discrepancy_before_mm 1,200,000 -> {NUMBER} | write 1200000 if that is meant
        """),
    "numbers_with_words": Trap(f"""
        2 planned_gain_mm 40 mm -> {NUMBER} | write 40 without the unit
        3 planned_gain_mm 3.0 cm -> {NUMBER} | the column takes numbers in mm alone: convert
        4 planned_gain_mm ~38 -> {NUMBER} | an estimate
        5 planned_gain_mm 36-40 -> {NUMBER} | a range or two values
        6 planned_gain_mm <65 -> {NUMBER} | a limit and no measured value
        7 planned_gain_mm ca. 32 -> {NUMBER} | an estimate
        8 planned_gain_mm 32 % -> {NUMBER} | leave the percent sign out
        2 discrepancy_before_mm \\u221245 -> {NUMBER} | write -45 if that is meant
        3 discrepancy_before_mm \\u20132 -> {NUMBER} | write -2 if that is meant
        4 discrepancy_before_mm '38 -> {NUMBER} | an apostrophe stands before the number
        5 discrepancy_before_mm 4O -> {NUMBER} | letters O, I or l in place of 0 or 1
        6 discrepancy_before_mm 73 (75) -> {NUMBER} | a range or two values
        7 discrepancy_before_mm 2026-06-01 -> {NUMBER} | a date: check whether the cells
        8 discrepancy_before_mm two -> {NUMBER} | unknown.
        """),
    "numbers_missing_words": Trap(f"""
        2 discrepancy_before_mm n/a -> {NUMBER} | a word for a missing value, so leave the cell empty
        3 discrepancy_before_mm NA -> {NUMBER} | leave the cell empty
        4 discrepancy_before_mm - -> {NUMBER} | leave the cell empty
        5 discrepancy_before_mm ? -> {NUMBER} | leave the cell empty
        6 discrepancy_before_mm unknown -> {NUMBER} | leave the cell empty
        7 discrepancy_before_mm NULL -> {NUMBER} | leave the cell empty
        8 discrepancy_before_mm NaN -> {NUMBER} | leave the cell empty
        2 union_date n/a -> {DATE} | leave the cell empty
        3 union_date unknown -> {DATE} | leave the cell empty
        2 side n/a -> {CODE} | Leave the cell empty if unknown
        2 centre n/a -> missing_value_word | Leave the cell empty
        3 centre NULL -> missing_value_word | Leave the cell empty
        4 surgeon ? -> missing_value_word | Leave the cell empty
        """),
    "numbers_out_of_limits": Trap("""
        2 segment_length_before_mm 999 -> out_of_range | leave the cell empty if unknown
        3 achieved_gain_mm -99 -> out_of_range | leave the cell empty if unknown
        4 planned_gain_mm 999 -> out_of_range | only 1 to 300 mm
        5 age_at_surgery_years -9 -> out_of_range | only 0 to 100 years
        6 device_stroke_mm -9 -> out_of_range | only 5 to 300 mm
        7 planned_gain_mm -9 -> out_of_range | only 1 to 300 mm
        8 counselled_full_weight_bearing_weeks 999 -> out_of_range | only 1 to 150 weeks
        2 age_at_surgery_years 999 -> out_of_range | only 0 to 100 years
        3 planned_gain_mm 9999 -> out_of_range | only 1 to 300 mm
        """),
    "numbers_unquoted_comma": Trap("""
        radiographs:
        3 - <none> -> more_cells_than_headings | write decimals with a point
        """),
    # -- ids
    "ids_in_scientific_form": Trap("""
        patients:
        2 patient_id 1.23E+05 -> id_changed_by_spreadsheet | Format the column as text
        3 patient_id 1.23457E+11 -> id_changed_by_spreadsheet | digits may be lost
        4 patient_id 2-Jan -> id_changed_by_spreadsheet | Format the column as text
        cases:
        2 patient_id P013 -> unknown_patient | in patients.
        3 patient_id P017 -> unknown_patient | in patients.
        4 patient_id P041 -> unknown_patient | in patients.
        """),
    "ids_leading_zeros": Trap(
        """
        2 patient_id 7 -> unknown_patient | patients writes it with other leading zeros
        3 patient_id 8 -> unknown_patient | patients writes it with other leading zeros
        5 patient_id 10 -> unknown_patient | patients writes it with other leading zeros
        7 patient_id 12 -> unknown_patient | patients writes it with other leading zeros
        8 patient_id 12 -> unknown_patient | patients writes it with other leading zeros
        """,
        same=False,
    ),
    "ids_other_forms": Trap(
        """
        2 patient_id p013 -> unknown_patient | with other capitals
        3 patient_id P 017 -> unknown_patient | with other blanks, points or dashes
        4 patient_id P-041 -> unknown_patient | with other blanks, points or dashes
        5 patient_id P098.0 -> unknown_patient | without a decimal point and zero
        6 patient_id 'P168 -> unknown_patient | without an apostrophe before it
        7 patient_id p-171 -> unknown_patient | with other zeros, capitals or separators
        8 patient_id P999 -> unknown_patient | in patients.
        """,
        same=False,
    ),
    # -- codes
    "codes_in_other_spelling": Trap(
        f"""
        2 side L -> {CODE} | Nearest: left.
        3 side R -> {CODE} | Nearest: right.
        4 side RIGHT -> {CODE} | Nearest: right.
        5 side links -> {CODE} | Nearest: left.
        2 segment Left femur -> {CODE} | Nearest: femur.
        3 segment Tibia -> {CODE} | Nearest: tibia.
        4 segment femoral -> {CODE} | Nearest: femur.
        5 segment Femur -> {CODE} | Nearest: femur.
        6 segment toe -> {CODE} | forearm, other.
        2 physes_open n -> {CODE} | Nearest: no.
        3 physes_open false -> {CODE} | Nearest: no.
        4 physes_open 0 -> {CODE} | Nearest: no.
        6 physes_open TRUE -> {CODE} | Nearest: yes.
        2 outcome_status Completed -> {CODE} | Nearest: completed.
        3 outcome_status done -> {CODE} | Nearest: completed.
        5 outcome_status lost to follow-up -> {CODE} | Nearest: lost_to_follow_up.
        2 device_class nail -> {CODE} | Nearest: lengthening_nail.
        7 device_class Ring fixator -> {CODE} | Nearest: circular_fixator.
        patients:
        2 sex f -> {CODE} | Nearest: female.
        3 sex M -> {CODE} | Nearest: male.
        4 sex w -> {CODE} | Nearest: female.
        5 sex 2 -> {CODE} | Nearest: female.
        2 aetiology Post-traumatic -> {CODE} | Nearest: post_traumatic.
        3 aetiology traumatic -> {CODE} | Nearest: post_traumatic.
        4 aetiology n/a -> {CODE} | Leave the cell empty if unknown.
        """,
        (("cases", "segment", BLANKS, 1),),
    ),
    # -- headings and lines
    "headings_below_titles": Trap(
        "- - <none> -> lines_above_headings | The headings stand in line 4"
    ),
    "headings_below_groups": Trap(
        "- - <none> -> lines_above_headings | The headings stand in line 2"
    ),
    "heading_left_out": Trap(
        "- - <none> -> column_without_heading | Column 15 has cells and no heading", same=False
    ),
    "units_below_headings": Trap("2 - <none> -> line_below_headings | Delete it"),
    "headings_repeated": Trap("""
        weight_bearing:
        11 - <none> -> heading_repeated | Delete it
        22 - <none> -> heading_repeated | Delete it
        """),
    "separators_at_line_ends": Trap(),
    "separators_at_line_ends_of_data": Trap(
        "- - <none> -> separators_at_line_ends | Check that decimals are written with a point"
    ),
    "separator_at_one_line_end": Trap(
        "4 - <none> -> more_cells_than_headings | not used", same=False
    ),
    "lines_cut_short": Trap(
        "\n".join(f"{row} - <none> -> fewer_cells_than_headings | left out" for row in range(2, 9))
    ),
    # -- encodings and separators
    "lines_end_in_cr": Trap(),
    "lines_end_in_crlf": Trap(),
    "lines_end_mixed": Trap(),
    "separator_line": Trap("- - <none> -> not_comma_separated | semicolon"),
    "separated_by_tabs": Trap("- - <none> -> not_comma_separated | tab"),
    "separated_by_bars": Trap("- - <none> -> not_comma_separated | bar"),
    # -- blanks and accents
    "blanks_around": Trap(
        changed=(
            ("cases", "patient_id", BLANKS, 2),
            ("cases", "patient_id", UNSEEN, 2),
            ("cases", "side", BLANKS, 1),
            ("cases", "side", UNSEEN, 1),
            ("cases", "planned_gain_mm", BLANKS, 1),
            ("cases", "union_date", BLANKS, 1),
            ("cases", "union_date", UNSEEN, 1),
        )
    ),
    # -- spreadsheets
    "spreadsheet_errors": Trap("""
        5 patient_id #N/A -> spreadsheet_error_value | Correct it there
        2 centre #N/A -> spreadsheet_error_value | Correct it there
        4 centre #WERT! -> spreadsheet_error_value | Correct it there
        2 surgeon =B2&"x" -> spreadsheet_error_value | a formula
        3 surgeon #REF! -> spreadsheet_error_value | Correct it there
        6 surgeon Err:502 -> spreadsheet_error_value | Correct it there
        4 side #VALUE! -> spreadsheet_error_value | Correct it there
        3 device_class #NV -> spreadsheet_error_value | Correct it there
        7 nail_approach #NAME? -> spreadsheet_error_value | Correct it there
        2 physes_open #NULL! -> spreadsheet_error_value | Correct it there
        7 planned_gain_mm =SUM(L2:L6) -> spreadsheet_error_value | a formula
        3 discrepancy_before_mm #SPILL! -> spreadsheet_error_value | Correct it there
        8 discrepancy_before_mm #NUM! -> spreadsheet_error_value | Correct it there
        5 achieved_gain_mm #DIV/0! -> spreadsheet_error_value | Correct it there
        6 final_gain_mm =S6*2 -> spreadsheet_error_value | a formula
        6 union_date ######## -> spreadsheet_error_value | Correct it there
        8 union_date =TODAY() -> spreadsheet_error_value | a formula
        4 device_removal_date #CALC! -> spreadsheet_error_value | Correct it there
        complications:
        4 complication_id #REF! -> spreadsheet_error_value | Correct it there
        2 description #N/A -> spreadsheet_error_value | Correct it there
        3 description =A1*2 -> spreadsheet_error_value | a formula
        """),
}


@pytest.fixture(scope="module")
def base():
    return audit.read_source(TRAPS / "base")


@pytest.fixture
def trap(tmp_path):
    """The folder of a trap: the base with the files of the trap laid over it."""

    def laid_over(name: str) -> pathlib.Path:
        folder = tmp_path / name
        shutil.copytree(TRAPS / "base", folder)
        shutil.copytree(TRAPS / name, folder, dirs_exist_ok=True)
        return folder

    return laid_over


def cohort_of(tables):
    return audit.build_cohort(tables, read_on=READ_ON)


def place_of(queries: pd.DataFrame) -> list[tuple[str, ...]]:
    return sorted(
        map(tuple, queries[["table", "row", "column", "value", "rule"]].astype(str).to_numpy())
    )


def differing_cells(tables, base) -> set[tuple[str, str, int]]:
    """(table, column, place among the rows) of cells that are not as in the base."""
    found = set()
    for name in base:
        one, two = tables[name], base[name]
        assert len(one) == len(two), name
        for column in two.columns.drop("row"):
            same = (one[column] == two[column]) | (one[column].isna() & two[column].isna())
            found |= {(name, column, int(at)) for at in np.flatnonzero(~same)}
    return found


@pytest.mark.parametrize("name", TRAPS_BY_NAME)
def test_a_trap_is_asked_about_exactly(trap, name):
    tables = audit.read_source(trap(name))
    queries = cohort_of(tables).queries
    read = [tuple(q) for q in tables.queries[["table", "row", "column", "rule"]].to_numpy()]
    of_reading = [
        q in read for q in map(tuple, queries[["table", "row", "column", "rule"]].to_numpy())
    ]
    chosen = queries.loc[np.array(of_reading, dtype=bool) | (queries["severity"] == "error")]
    expected = questions(TRAPS_BY_NAME[name].asked)
    assert place_of(chosen) == sorted(one[:5] for one in expected)
    messages = {place[:5]: message for place, message in zip(
        map(tuple, chosen[["table", "row", "column", "value", "rule"]].astype(str).to_numpy()),
        chosen["message"], strict=True)}  # fmt: skip
    for *place, hint in expected:
        assert hint in messages[tuple(place)], place


OUT_AS_A_LINE = ("more_cells", "heading_repeated", "line_below_headings", "totals_row")
CELL_TRAPS = [
    name
    for name, one in TRAPS_BY_NAME.items()
    if one.same and not any(rule in one.asked for rule in OUT_AS_A_LINE)
]


@pytest.mark.parametrize("name", TRAPS_BY_NAME)
def test_every_automatic_change_is_logged(trap, name):
    log = audit.read_source(trap(name)).cleaning
    assert sorted(map(tuple, log.to_numpy())) == sorted(TRAPS_BY_NAME[name].changed)


@pytest.mark.parametrize("name", CELL_TRAPS)
def test_a_trap_changes_only_the_cells_it_asks_about(trap, base, name):
    tables = audit.read_source(trap(name))
    wanted = TRAPS_BY_NAME[name]
    asked = {
        (table, column, int(row) - 2)
        for table, row, column, value, rule, _ in questions(wanted.asked)
        if row and column and not rule.startswith("unknown_")
    }
    for table, column, at in differing_cells(tables, base):
        assert (table, column, at) in asked, (table, column, at)
        reading = {q[4] for q in questions(wanted.asked) if (q[0], q[2]) == (table, column)}
        if not reading & {CODE, "out_of_range"}:  # those are set aside when judged
            assert pd.isna(tables[table][column].iloc[at]), (table, column, at)


# -- read right --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "rules"),
    [
        ("lines_end_in_cr", []),
        ("lines_end_in_crlf", []),
        ("lines_end_mixed", []),
        ("separator_line", ["not_comma_separated"]),
        ("separated_by_tabs", ["not_comma_separated"]),
        ("separated_by_bars", ["not_comma_separated"]),
        ("separators_at_line_ends", []),
        ("separators_at_line_ends_of_data", ["separators_at_line_ends"]),
        ("headings_below_titles", ["lines_above_headings"]),
        ("headings_below_groups", ["lines_above_headings"]),
        ("headings_in_another_spelling", []),
        ("blanks_around", []),
        ("headings_repeated", ["heading_repeated"] * 2),
        ("totals_rows", ["totals_row"] * 2),
        ("units_below_headings", ["line_below_headings"]),
        ("lines_cut_short", ["fewer_cells_than_headings"] * 7),
    ],
)
def test_read_right_to_the_last_cell(trap, base, name, rules):
    tables = audit.read_source(trap(name))
    assert tables.queries["rule"].tolist() == rules
    tables.frames["cases"] = tables["cases"].loc[tables["cases"]["case_id"].notna()]
    assert differing_cells(tables, base) == set()


@pytest.mark.parametrize(
    ("name", "rule", "surgeon"),
    [
        ("encoding_utf8_mark", None, "S1"),
        ("encoding_latin1", "not_utf8", "S1"),
        ("encoding_windows_1252", "not_utf8", "S—1"),
        ("encoding_utf16_le_mark", None, "S1"),
        ("encoding_utf16_be_mark", None, "S1"),
        ("encoding_utf16_le", "not_utf8", "S1"),
        ("encoding_utf16_be", "not_utf8", "S1"),
    ],
)
def test_every_encoding_gives_the_same_letters(trap, base, name, rule, surgeon):
    tables = audit.read_source(trap(name))
    assert tables.queries["rule"].tolist() == ([rule] if rule else [])
    changed = {("cases", "centre", at) for at in range(5)}
    if surgeon != "S1":
        changed |= {("cases", "surgeon", at) for at in (0, 2)}
    assert differing_cells(tables, base) == changed
    assert tables["cases"]["centre"].tolist() == ["nörd"] * 5 + ["south"] * 2
    assert tables["cases"]["surgeon"].iloc[0] == surgeon


def test_accents_in_two_unicode_forms_are_one_id(trap):
    tables = audit.read_source(trap("accents_in_two_forms"))
    changes = [tuple(line) for line in tables.cleaning.to_numpy()]
    assert changes == [("cases", "patient_id", "letters and accents joined (Unicode NFC)", 1)]
    cohort = cohort_of(tables)
    assert cohort.queries.empty and len(cohort.cases) == 7


def test_headings_in_capitals_with_blanks_and_line_breaks_are_logged(trap):
    tables = audit.read_source(trap("headings_in_another_spelling"))
    assert set(tables.cleaning["change"]) == {SPELT}
    assert len(tables.cleaning) == 28


def test_three_decimals_throughout_are_decimals(trap):
    tables = audit.read_source(trap("numbers_three_decimals"))
    assert tables.queries.empty
    assert tables["cases"]["achieved_gain_mm"].tolist() == [42.5, 30, 34, 36.5, 6, 34.5, 33]
    assert tables["cases"]["age_at_surgery_years"].iloc[0] == 63.125


@pytest.mark.parametrize(
    ("cells", "read"),
    [
        (["1.200"], [None]),  # alone: 1200 or 1.2
        (["1.200", "34"], [None, 34]),  # whole numbers beside it settle nothing
        (["1.200", "34.5"], [None, 34.5]),  # nor do other decimals
        (["1.200", "0.250"], [1.2, 0.25]),  # three decimals and a nought: a fixed format
        (["1.200", "34.500"], [1.2, 34.5]),  # three decimals throughout
        (["1.125", "34"], [1.125, 34]),  # a last digit that no thousand has in this contract
        (["0.200"], [0.2]),  # no thousand begins with 0
        (["1200.500"], [1200.5]),  # nor has four digits before the point
    ],
)
def test_one_point_two_hundred_is_never_silently_one_point_two(cells, read):
    from audit.intake.cells import read_column

    column = read_column(pd.Series(cells, dtype=object), "number", unit="mm")
    assert [None if np.isnan(x) else x for x in column.values] == read


def test_quotes_hold_separators_line_breaks_and_quotes(trap, base):
    tables = audit.read_source(trap("quotes_right"))
    assert tables.queries.empty
    assert tables["complications"]["row"].tolist()[:3] == [2, 5, 6]  # the line a person sees
    assert tables["complications"]["description"].tolist()[:4] == [
        "first line\nsecond, with comma\r\nthird",
        'the "red" sign',
        'semi;colon and 5" pin',
        "=sum of signs",  # words, not a formula
    ]
    assert {column for _, column, _ in differing_cells(tables, base)} == {"description"}


def test_a_quotation_mark_in_plain_text_is_a_letter(trap):
    tables = audit.read_source(trap("quote_in_plain_text"))
    assert tables.queries.empty
    assert tables["complications"]["description"].iloc[3] == 'pin-site 5" redness'


# -- refused -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("heading_twice", r"Table cases: the heading 'planned_gain_mm' stands more than once"),
        ("heading_twice_in_another_spelling", r"'planned_gain_mm' stands more than once"),
        ("headings_over_two_lines", r"cases\.csv: the headings .* spread over lines 1 and 2"),
        ("headings_missing", r"required column 'case_id' is missing.*no heading of the contract"),
        ("quote_never_closed", r"complications\.csv, line 4: a quotation mark is opened"),
        ("quote_inside_a_cell", r"complications\.csv, line 3: a quotation mark"),
        ("quote_joins_two_lines", r"complications\.csv, line 5: .*lines run together"),
        (
            "zero_bytes",
            r"cases\.csv is not a text file, or is damaged: .* zero bytes, first in line 5",
        ),
        ("zero_bytes_at_end", r"cases\.csv is not a text file, or is damaged"),
    ],
)
def test_refused_with_one_plain_message(trap, name, message):
    with pytest.raises(UnusableInput, match=message) as caught:
        audit.read_source(trap(name))
    for value in ("C013", "P013", "2021-10-15", "redness"):
        assert value not in str(caught.value)


# -- other ways to be wrong ----------------------------------------------------------------------


def test_moments(trap):
    tables = audit.read_source(trap("moments"))
    started = tables["distraction_sessions"]["started_at"].tolist()
    assert started[:3] == [
        pd.Timestamp(f"2022-08-27 {clock}") for clock in ("08:00", "15:00", "22:00")
    ]
    assert all(pd.isna(one) for one in started[3:])
    asked = tables.queries.set_index("row")["message"]
    assert set(tables.queries["rule"]) == {"not_a_date_and_time"}
    for row, hint in {
        5: "the time of day is missing", 6: "write the time as HH:MM", 7: "write the time as HH:MM",
        8: "leave the time zone out", 9: "looks like 2022-08-28 (day first)",
        10: "day number, which would be 2022-08-28",
    }.items():  # fmt: skip
        assert hint in asked[row]


def test_words_in_place_of_ids_are_no_ids(trap):
    cohort = cohort_of(audit.read_source(trap("words_for_no_id")))
    errors = cohort.queries.loc[cohort.queries["table"] == "cases"]
    assert errors["rule"].tolist() == ["missing_value_word"] * 3
    assert errors["value"].tolist() == ["unknown", "-", "n/a"]
    assert len(cohort.cases) == 4


def test_totals_rows_are_kept_out_and_counted(trap):
    tables = audit.read_source(trap("totals_rows"))
    cohort = cohort_of(tables)
    out = cohort.kept_out[["table", "row", "reason"]].to_numpy().tolist()
    assert ["cases", 9, "totals_row"] in out and ["radiographs", 44, "totals_row"] in out
    assert ["cases", 10, "row_without_case_id"] in out  # a mean without a word before it
    flow = cohort.flow.groupby("step")["cases"].sum()
    assert (flow["read"], flow["kept_out"], flow["in_cohort"]) == (9, 2, 7)
    assert cohort.flow.set_index("step").loc["read", "patients"] == 6


def test_a_shifted_line_is_out_and_the_others_stay_as_they_are(trap, base):
    for name, table, line in (
        ("numbers_unquoted_comma", "radiographs", 3),
        ("separator_at_one_line_end", "cases", 4),
    ):
        tables = audit.read_source(trap(name))
        assert tables.kept_out[["table", "row"]].to_numpy().tolist() == [[table, line]]
        left = base[table].loc[base[table]["row"] != line].reset_index(drop=True)
        pd.testing.assert_frame_equal(tables[table], left)


def test_a_column_without_a_heading_is_left_out_and_named(trap, base):
    tables = audit.read_source(trap("heading_left_out"))
    changed = {column for _, column, _ in differing_cells(tables, base)}
    assert changed == {"discrepancy_before_mm"}
    assert tables["cases"]["discrepancy_before_mm"].isna().all()


def test_ids_in_another_form_are_read_as_typed(trap, base):
    for name in ("ids_leading_zeros", "ids_other_forms"):
        tables = audit.read_source(trap(name))
        assert {column for _, column, _ in differing_cells(tables, base)} == {"patient_id"}
    assert tables["cases"]["patient_id"].tolist()[:3] == ["p013", "P 017", "P-041"]


def test_every_line_is_counted_once(trap):
    for name in ("headings_repeated", "units_below_headings", "numbers_unquoted_comma"):
        rows = cohort_of(audit.read_source(trap(name))).rows
        parts = rows[["used", "later", "kept_out", "other_centre"]].sum(axis=1)
        assert parts.tolist() == rows["read"].tolist(), name


def test_a_semicolon_file_with_decimal_commas_asks_about_every_one(trap, base):
    tables = audit.read_source(trap("semicolons_and_decimal_commas"))
    decimal = base["cases"][["age_at_surgery_years", "achieved_gain_mm", "final_gain_mm"]] % 1 > 0
    rules = tables.queries["rule"].tolist()
    assert rules.count("not_a_number") == int(decimal.to_numpy().sum())
    assert rules.count("not_comma_separated") == 1
    assert tables["cases"]["achieved_gain_mm"].tolist()[1] == 30.0


@pytest.mark.parametrize(
    ("name", "rule", "rows"),
    [
        ("units_single_cm", "centimetres_for_millimetres", [2, 3, 4, 5, 7]),
        ("units_mixed", "centimetres_for_millimetres", [2, 4, 5]),
    ],
)
def test_single_centimetres_are_asked_about_and_never_converted(trap, name, rule, rows):
    cohort = cohort_of(audit.read_source(trap(name)))
    found = cohort.queries.loc[cohort.queries["rule"] == rule]
    assert found["row"].tolist() == rows
    assert set(found["severity"]) == {"warning"}


def test_a_whole_column_in_centimetres_is_one_question_about_the_column(trap):
    cohort = cohort_of(audit.read_source(trap("units_column_in_cm")))
    found = cohort.queries.loc[cohort.queries["rule"] == "column_in_centimetres"]
    assert found[["row", "column"]].to_numpy().tolist() == [["", "planned_gain_mm"]]
    assert cohort.cases["planned_gain_mm"].tolist()[0] == 4.0


def test_a_placeholder_all_over_a_column_is_asked_about_once(trap):
    tables = audit.read_source(trap("numbers_placeholder_repeated"))
    assert tables.queries["rule"].tolist() == ["repeated_placeholder"]
    assert "The number 99 stands in 6 cells" in tables.queries["message"].iloc[0]


def test_a_common_number_is_no_placeholder(demo_tables):
    assert "repeated_placeholder" not in set(demo_tables.queries["rule"])


@pytest.mark.parametrize("tail", ["\n", "\r\n", ",,,,,,,,\n", " , ,\t,,,,,,\n"], ids=repr)
def test_a_million_empty_lines_below_the_data_cost_little(tail):
    content = (TRAPS / "base" / "cases.csv").read_bytes() + tail.encode() * 1_000_000
    tracemalloc.start()
    started = time.perf_counter()
    grid = read_grid(content, name="cases.csv")
    took = time.perf_counter() - started
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert len(grid.frame) == 7 and grid.too_wide == () and grid.remarks == ()
    assert peak < 4 * len(content) + 2e6  # the text, and no row of what is empty
    assert took < 20  # far above what it takes, far below a row at a time


def test_empty_lines_in_between_are_skipped_and_counted():
    head, *rows = (TRAPS / "base" / "cases.csv").read_text().splitlines()
    text = "\n".join([head, "", rows[0], ",,,", "  ", rows[1], '"",""'])
    assert read_grid(text.encode(), name="cases.csv").frame["row"].tolist() == [3, 6]


# -- messages --------------------------------------------------------------------------------------


def test_what_a_hint_says_of_one_cell_stays_out_of_tables_for_people(trap):
    cohort = cohort_of(audit.read_source(trap("dates_open_order")))
    shown = query_table(cohort).frame.to_csv()
    assert "2022-02-01" in "".join(cohort.queries["message"])
    assert "2022-02-01" not in shown and "Write the day as YYYY-MM-DD" in shown
    assert general_message(pd.Series(["Do this. Here: x", "Do that."])).tolist() == [
        "Do this.",
        "Do that.",
    ]


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("25.12.1899", "looks like 1899-12-25"),
        ("2022-02-02 8:05 pm", "leave out the time of day"),
        ("Sat 5 Feb", ""),
        ("2nd March 2022", "looks like 2022-03-02"),
        ("10012022", "could be 2022-01-10 or 2022-10-01"),
        ("60000", ""),
    ],
)
def test_day_hints(text, hint):
    said = day_hint(text)
    assert hint in said if hint else said == ""


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("24y", "write 24 without the unit"),
        ("24 Jahre", "write 24 without the unit"),
        ("24 months", "the column takes numbers in years alone"),
        ("0,125", "write 0.125"),
        ("1e999", "no finite number"),
        ("-", ""),
        ("none seen", ""),
    ],
)
def test_number_hints(text, hint):
    said = number_hint(text, unit="years")
    assert hint in said if hint else said == ""


def test_there_is_a_test_for_every_trap():
    text = pathlib.Path(__file__).read_text(encoding="utf-8")
    folders = [path.name for path in TRAPS.iterdir() if path.name != "base"]
    assert [name for name in folders if f'"{name}"' not in text] == []
