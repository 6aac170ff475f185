"""The faulty twin of the demo tables: every planted fault is found, and nothing else is refused.

Planted by `demo_data.generator.faults`, which knows the faults and not the rules' code.
"""

from __future__ import annotations

import csv
import datetime
from pathlib import Path

import pandas as pd
import pytest

import audit
import demo_data
from demo_data.generator import build_tables
from demo_data.generator.faults import FAULTS, PLANTED, main, plant
from schemas.dictionary import COLUMN_CHECKS
from schemas.rules import RULES

FOLDER = Path(demo_data.__file__).parent / "faulty"
CLEAN = Path(demo_data.__file__).parent / "tables"
READ_ON = datetime.date(2026, 11, 2)
PLACE = ["table", "row", "column", "rule", "severity"]
#: error queries that follow from a planted fault elsewhere: (table, rule) -> why
CONSEQUENCES: dict[tuple[str, str], str] = {
    ("theatre_counts", "quarter_counted_twice"): "of two counts of a quarter neither can be used"
}


@pytest.fixture(scope="module")
def planted() -> pd.DataFrame:
    return pd.read_csv(FOLDER / "planted.csv", dtype=str, keep_default_na=False)


def asked(folder: Path) -> pd.DataFrame:
    return audit.build_cohort(audit.read_source(folder), read_on=READ_ON).queries.astype(str)


@pytest.fixture(scope="module")
def queries() -> pd.DataFrame:
    return asked(FOLDER)


def places(table: pd.DataFrame) -> set[tuple[str, ...]]:
    return set(map(tuple, table[PLACE].to_numpy()))


def test_every_planted_fault_is_found(planted, queries):
    assert places(planted) - places(queries) == set()


def test_every_planted_fault_names_its_case(planted, queries):
    shown = queries.set_index(PLACE)["case_id"].groupby(level=PLACE).first()
    for line in planted.itertuples(index=False):
        found = shown[(line.table, line.row, line.column, line.rule, line.severity)]
        assert found == line.case_id, line


def test_no_other_value_is_refused(planted, queries):
    extra = places(queries[queries["severity"] == "error"]) - places(planted)
    unexplained = {place for place in extra if (place[0], place[3]) not in CONSEQUENCES}
    assert unexplained == set()


def test_the_clean_tables_have_none_of_the_faults(planted):
    clean = asked(CLEAN)
    assert set(clean["severity"]) <= {"warning"}
    assert places(planted) & places(clean) == set()


def test_many_rules_of_every_kind_are_planted(planted):
    assert list(planted.columns) == list(PLANTED)
    rules = set(planted["rule"])
    assert len(rules) >= 60
    between = {rule.id for rule in RULES}
    assert rules <= between | set(COLUMN_CHECKS) | {"not_a_whole_number"}
    assert {"not_a_date", "not_a_number", "not_in_code_list", "out_of_range"} <= rules
    assert {"unusual_value", "missing_required", "repeated_row", "unknown_case"} <= rules


def test_each_fault_has_a_case_of_its_own(planted):
    lost = planted["rule"].isin(["unknown_case"])
    ids = planted.loc[~lost & planted["case_id"].ne(""), "case_id"]
    assert not ids.duplicated().any()


def test_row_is_the_line_of_the_file(planted):
    lines = {}
    for name in planted["table"].unique():
        with (FOLDER / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            lines[name] = list(csv.reader(file))
    for fault in planted[planted["row"] != ""].itertuples(index=False):
        headings, cells = lines[fault.table][0], lines[fault.table][int(fault.row) - 1]
        if "case_id" in headings:
            assert cells[headings.index("case_id")] == fault.case_id


def test_the_folder_is_what_the_generator_makes(tmp_path):
    assert main([str(tmp_path)]) == 0
    made = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    assert made == {path.name: path.read_bytes() for path in FOLDER.iterdir()}


def test_planting_leaves_the_tables_alone_and_needs_a_case():
    tables = build_tables()
    before = {name: table.copy() for name, table in tables.items()}
    plant(tables)
    for name, table in tables.items():
        pd.testing.assert_frame_equal(table, before[name])
    with pytest.raises(ValueError, match=r"no case of kind '.+' is left for rule"):
        plant({**tables, "cases": tables["cases"].head(20)})


def test_usage_is_shown_without_a_folder(capsys):
    assert main([]) == 2
    assert "usage" in capsys.readouterr().err


def test_a_fault_is_one_of_the_list():
    assert len(FAULTS) == len({(f.rule, f.table, f.column, f.what) for f in FAULTS})


def test_a_date_in_the_future_is_asked_about():
    tables = audit.read_source(CLEAN).frames
    frames = {name: frame.copy() for name, frame in tables.items()}
    frames["cases"].loc[3, "device_removal_date"] = pd.Timestamp("2099-01-01")
    queries = audit.build_cohort(frames, read_on=READ_ON).queries
    assert "date_in_future" in set(queries["rule"])
