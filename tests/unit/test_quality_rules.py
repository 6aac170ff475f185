"""Validity, consistency and uniqueness; counts worked by hand.

Four counts a column with defaults apart from valid values: a national data quality index (standards
1.5, item 4, source D2). The dimensions: government data quality framework 2020 (item 2, source D1).
Duplicates by patient, limb and operation: item 7. Intervals: statsmodels.
"""

from __future__ import annotations

import pytest
from statsmodels.stats.proportion import proportion_confint

import audit
from audit.quality.broken_rules import DIMENSIONS, dimension_of
from schemas.dictionary import COLUMN_CHECKS
from schemas.rules import RULES
from tests.unit.quality_cohort import CASES, CUTOFF, PATIENTS, parts
from tests.unit.quality_cohort import TABLES as SIX


def judged(cohort):
    return parts(
        cohort, "rows", "kept_out", "validity", "unread", "rules", "cases_asked", "uniqueness"
    )


CELLS = ["valid", "default", "invalid", "missing"]


@pytest.fixture
def six(cohort_of):
    return judged(cohort_of(CUTOFF, **SIX))


def cells(quality, table, item):
    found = quality.validity.set_index(["table", "item"]).loc[(table, item)]
    return tuple(found[CELLS])


@pytest.mark.parametrize(
    ("table", "item", "counts"),
    [
        # female, male; unknown, other; femal; an empty cell
        ("patients", "sex", (2, 2, 1, 1)),
        # congenital, tumour; unknown, other; x; an empty cell
        ("patients", "aetiology", (2, 2, 1, 1)),
        ("cases", "union_date", (2, 0, 1, 3)),
        # "other" is a proper answer where the list has no "unknown"
        ("cases", "segment", (6, 0, 0, 0)),
        ("cases", "arrival_date", (1, 0, 0, 5)),
        ("joint_motion", "extension_deficit_deg", (3, 0, 0, 1)),
    ],
)
def test_four_counts_a_column(six, table, item, counts):
    assert cells(six, table, item) == counts


def test_other_is_valid_where_the_list_has_no_unknown(cohort_of):
    other = CASES.replace("left  humerus", "left  other  ", 1)
    assert cells(judged(cohort_of(CUTOFF, **SIX | {"cases": other})), "cases", "segment") == (
        6, 0, 0, 0,
    )  # fmt: skip


def test_share_of_invalid_among_filled(six):
    found = six.validity.set_index(["table", "item"]).loc[("cases", "union_date")]
    low, high = proportion_confint(1, 3, method="wilson")
    assert (found["value"], found["low"], found["high"]) == pytest.approx((1 / 3, low, high))


def test_columns_of_tables_that_are_not_there_are_not_counted(six):
    assert "weight_bearing" not in set(six.validity["table"])


def test_a_row_kept_out_is_still_judged_cell_by_cell(cohort_of):
    """C5 loses its day of surgery: the row goes, its other cells stay counted."""
    broken = CASES.replace("2025-03-01   40", "2025-03-00   40", 1)
    quality = judged(cohort_of(CUTOFF, **SIX | {"cases": broken}))
    assert cells(quality, "cases", "surgery_date") == (5, 0, 1, 0)
    assert cells(quality, "cases", "case_id") == (6, 0, 0, 0)
    assert set(quality.kept_out["reason"]) >= {"row_without_surgery_date"}
    assert quality.validity["rows"].loc[quality.validity["table"] == "cases"].eq(6).all()


def test_every_rule_has_one_dimension():
    assert {dimension_of(rule.id) for rule in RULES} <= set(DIMENSIONS)
    assert {dimension_of(name) for name in COLUMN_CHECKS} == {"completeness", "validity"}
    assert dimension_of("missing_required") == "completeness"
    assert dimension_of("row_without_surgery_date") == "completeness"
    assert dimension_of("date_in_future") == "validity"
    assert dimension_of("unknown_case") == "consistency"
    assert dimension_of("union_before_surgery") == "consistency"
    assert dimension_of("same_bone_same_day") == "uniqueness"
    assert dimension_of("something that reading raised") == "validity"


def test_broken_rules_are_counted_by_query_row_and_case(cohort_of):
    """C1's and C5's union before their surgery: two errors between cells, in two cases."""
    early = CASES.replace("2025-05-10", "2025-01-01").replace("2025-08-01", "2025-02-01")
    quality = judged(cohort_of(CUTOFF, **SIX | {"cases": early}))
    rule = quality.rules.set_index("rule").loc["union_before_surgery"]
    assert tuple(rule[["dimension", "severity", "queries", "rows", "cases"]]) == (
        "consistency", "error", 2, 2, 2,
    )  # fmt: skip
    assert rule["message"]
    asked = quality.cases_asked.set_index(["dimension", "severity"])
    found = asked.loc[("consistency", "error")]
    assert (found["affected"], found["cases"]) == (2, 6)
    assert (found["low"], found["high"]) == pytest.approx(proportion_confint(2, 6, method="wilson"))
    severities = quality.rules["severity"].tolist()
    assert severities == sorted(severities)
    for _, part in quality.rules.groupby("severity"):
        assert part["queries"].is_monotonic_decreasing


def test_an_error_on_a_cell_is_asked_once(six):
    assert six.rules.set_index("rule").loc["not_a_date", "queries"] == 1


def test_double_entries_are_found_whatever_their_case_id(cohort_of):
    copy = CASES.strip().splitlines()[1].replace("C1 ", "C7 ")
    quality = judged(cohort_of(CUTOFF, **SIX | {"cases": CASES + copy + "\n"}))
    first = quality.uniqueness.iloc[0]
    assert first["rows"] == 1
    assert first["note"].endswith("1 of 7 rows")  # C6 has no side
    assert "same bone same day" in set(quality.uniqueness["check"])


def test_rows_typed_twice_and_ids_used_twice(cohort_of):
    lines = CASES.strip().splitlines()
    again = CASES + lines[5] + "\n" + lines[1].replace(" 40 ", " 41 ", 1) + "\n"
    quality = judged(cohort_of(CUTOFF, **SIX | {"cases": again}))
    checks = quality.uniqueness.set_index("check")["rows"]
    assert checks["repeated row"] == 1  # C5
    assert checks["key used twice"] == 2  # C1, both rows
    assert checks["patient, side, segment and day of surgery"] == 2


def test_questions_of_another_centre_are_not_ours(write_source):
    lines = CASES.strip().splitlines()
    heads = lines[0] + " centre"
    rows = [f"{row} {'south' if row.startswith(('C4', 'C6')) else 'north'}" for row in lines[1:]]
    folder = write_source(patients=PATIENTS, cases="\n".join([heads, *rows]))
    tables = audit.read_source(folder)
    north = judged(audit.build_cohort(tables, CUTOFF, centre="north"))
    south = judged(audit.build_cohort(tables, CUTOFF, centre="south"))
    assert cells(north, "cases", "union_date") == (2, 0, 0, 2)
    assert cells(south, "cases", "union_date") == (0, 0, 1, 1)
    assert "not_a_date" not in set(north.rules["rule"])
    assert "not_a_date" in set(south.rules["rule"])
    assert cells(south, "patients", "sex") == (0, 0, 1, 1)  # P4 and P6
    rows = north.rows.set_index("table").loc["cases"]
    assert (rows["read"], rows["used"], rows["other_centre"]) == (6, 4, 2)


def test_lines_that_are_no_rows_are_counted_apart(write_source):
    folder = write_source(patients=PATIENTS, cases=CASES)
    with (folder / "cases.csv").open("a", encoding="utf-8") as file:
        file.write("C9,P1,left,femur" + ",x" * 40 + "\n")
    quality = judged(audit.build_cohort(audit.read_source(folder), CUTOFF))
    assert quality.unread.set_index("table").loc["cases", "rows"] == 1
    assert quality.validity.loc[quality.validity["table"] == "cases", "rows"].eq(6).all()


def test_a_source_without_any_question(cohort_of):
    heads, first = CASES.strip().splitlines()[:2]
    patients = "patient_id sex aetiology\nP1 female congenital\n"
    quality = judged(cohort_of(CUTOFF, patients=patients, cases=f"{heads}\n{first}\n"))
    assert not (quality.rules["severity"] == "error").any()
    assert (quality.validity["invalid"] == 0).all()
    assert quality.kept_out.empty
    assert quality.uniqueness["rows"].tolist() == [0]


def test_the_list_of_rules_says_nothing_of_one_cell(cohort_of):
    """A message may hint at what one cell means; the list of rules is for everybody."""
    quality = judged(
        cohort_of(CUTOFF, **SIX | {"cases": CASES.replace("2025-13-01", "13.01.2025")})
    )
    message = quality.rules.set_index("rule").loc["not_a_date", "message"]
    assert " Here: " not in message
    assert not any(letter.isdigit() for letter in message)
    assert (
        "Nearest" not in quality.rules.set_index("rule").loc["not_in_code_list", "message"].iloc[0]
    )
