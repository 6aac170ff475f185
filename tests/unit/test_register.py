"""The register of criteria: what it must hold, and on which line what is wrong stands.

Entries asked of a register of standards (criterion, target, population, exceptions, source, reason
for a local departure): a royal college's evaluation criteria for audits, and a national guide on
documenting local audit. Lines: counted by hand or by the writer of the text; the grammar is TOML
1.0.0 (https://toml.io/en/v1.0.0), read by the standard library.
"""

from __future__ import annotations

import random
import re
import tomllib

import pandas as pd
import pytest

from audit.commands import main
from audit.criteria import (
    EVENTS_OF_RATE,
    EXCEPTION_CODES,
    MEASURES,
    AcceptedReason,
    Criterion,
    criteria_from,
)
from audit.errors import UnusableInput
from audit.intake.register import DEFAULT, read_criteria, read_register, register_from
from audit.intake.register_lines import entry_lines
from audit.quality.inputs import INPUTS, SHARED
from audit.results import catalogue
from schemas import TABLES
from tests.conftest import DEMO

GOOD = """version = "1"

[[criterion]]
id = "gain"
words = "Ends within 5 mm of the plan"
measure = "gain_within_tolerance"
statistic = "proportion"
target = 0.9
direction = "at_least"
source = "a paper"
target_level = "published"
"""


def refused(text: str | bytes) -> str:
    content = text if isinstance(text, bytes) else text.encode()
    with pytest.raises(UnusableInput) as caught:
        register_from(content, name="ours.toml")
    return str(caught.value)


# --- the default register -------------------------------------------------------------------------
def test_the_default_register_says_where_every_target_comes_from():
    register = read_register()
    assert register.version
    assert len(register.criteria) >= 16
    for criterion in register.criteria:
        assert re.search(r"DOI|PMC|\d{4};\d+|abstracts", criterion.source), criterion.id
        assert criterion.target_level == "published" or len(criterion.reason) > 20, criterion.id
        assert criterion.population != "all cases"
        assert criterion.unit == ("walking_episode" if "weight" in criterion.measure else "case")


def test_the_default_register_excuses_no_loss_and_no_amputation():
    for criterion in read_criteria():
        for exception in criterion.exceptions:
            assert exception.column in EXCEPTION_CODES
            assert not {"lost_to_follow_up", "amputated", "stopped_early"} & set(exception.codes)


def test_there_is_a_criterion_for_each_device_class_in_complications_and_healing():
    """The worsening of the demo data lies in complications with circular fixators."""
    held = {
        (criterion.measure, device)
        for criterion in read_criteria()
        for device in criterion.device_class
    }
    assert ("complications_per_100_cases", "circular_fixator") in held
    for device in ("lengthening_nail", "circular_fixator", "lengthening_over_nail"):
        assert ("healing_index_days_per_cm", device) in held


def test_measures_of_criteria_are_those_of_the_catalogue():
    """A criterion can judge what is reported, by a statistic of its kind, and nothing else."""
    kinds = {measure.name: measure.kind for measure in catalogue.MEASURES}
    for name, statistics in MEASURES.items():
        if name in catalogue.TIMES:
            assert statistics == ("median_time",)
        elif name in kinds:
            by_kind = {"number": ("mean", "median"), "yes_no": ("proportion",)}
            assert statistics == by_kind[kinds[name]]
        else:
            assert statistics == ("rate",)
        assert SHARED.get(name, name) in INPUTS
    counted = set(EVENTS_OF_RATE.values())  # judged as rates
    assert set(kinds) | set(catalogue.TIMES) == (set(MEASURES) & set(INPUTS)) | counted


def test_exception_columns_exist_and_their_codes_too():
    for column, codes in EXCEPTION_CODES.items():
        table = "patients" if column == "aetiology" else "cases"
        found = TABLES[table].columns[column].metadata
        assert codes == ("given",) or found["kind"] == "code"


# --- a department's own file ----------------------------------------------------------------------
def test_an_own_register_replaces_the_whole_default(tmp_path):
    path = tmp_path / "ours.toml"
    path.write_text(GOOD, encoding="utf-8")
    register = read_register(path)
    assert [criterion.id for criterion in register.criteria] == ["gain"]
    assert (register.name, register.version) == ("ours.toml", "1")
    assert register.content == path.read_bytes()


def test_a_register_without_unit_and_exceptions_reads_as_before():
    (criterion,) = register_from(GOOD.encode(), name="ours.toml").criteria
    assert (criterion.unit, criterion.exceptions) == ("case", ())
    stated = register_from((GOOD + 'unit = "case"\n').encode(), name="ours.toml").criteria[0]
    assert stated == criterion


def test_windows_text_with_a_byte_order_mark_is_read():
    content = b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode()
    assert register_from(content, name="ours.toml").criteria[0].target == 0.9


def test_exceptions_are_read_inline_and_as_tables():
    inline = GOOD + 'exceptions = [{ column = "outcome_status", is = ["died"], words = "died" }]\n'
    tables = (
        GOOD + '[[criterion.exceptions]]\ncolumn = "outcome_status"\nis = "died"\nwords = "d"\n'
    )
    one, two = (
        register_from(text.encode(), name="ours.toml").criteria[0].exceptions
        for text in (inline, tables)
    )
    assert one == two == (AcceptedReason(column="outcome_status", codes=("died",), words=""),)
    assert (one[0].words, two[0].words) == ("died", "d")
    assert str(one[0]) == "outcome_status died"


def test_which_exception_holds():
    """The first one listed speaks; whether the case misses anything is not looked at."""
    criterion = Criterion(
        id="x",
        words="x",
        measure="gain_within_tolerance",
        statistic="proportion",
        target=0.9,
        direction="at_least",
        source="x",
        target_level="published",
        exceptions=(
            AcceptedReason(column="outcome_status", codes=("died", "amputated"), words="ended"),
            AcceptedReason(column="arrival_date", codes=("given",), words="taken over"),
        ),
    )
    cases = pd.DataFrame(
        {
            "outcome_status": ["died", "completed", "completed", None, "amputated"],
            "arrival_date": pd.to_datetime(["2025-01-01", "2025-01-01", None, None, None]),
        }
    )
    before = cases.copy()
    found = criterion.excused(cases)
    assert found.fillna("").tolist() == ["ended", "taken over", "", "", "ended"]
    pd.testing.assert_frame_equal(cases, before)


# --- what is refused, and on which line -----------------------------------------------------------
#: old text -> new text of GOOD; the line of the message; words that it must hold
WRONG = {
    "number in quotes": ("target = 0.9", 'target = "0.9"', 8, "target must be a number"),
    "no number": ("target = 0.9", "target = nan", 8, "target must be a number"),
    "yes as a number": ("target = 0.9", "target = true", 8, "target must be a number"),
    "percent": ("target = 0.9", "target = 90", 8, "share from 0 to 1: 0.95 for 95 %"),
    "statistic": ('"proportion"', '"share"', 7, "statistic must be one of mean, median"),
    "other statistic": ('"proportion"', '"mean"', 7, "must be proportion; got 'mean'"),
    "measure": ('"gain_within_tolerance"', '"gain"', 6, "measure must be one of"),
    "direction": ('"at_least"', '"above"', 9, "at_most, at_least; got 'above'"),
    "level": ('"published"', '"national"', 11, "published, local; got 'national'"),
    "local": ('"published"', '"local"', 11, "a local target needs a reason"),
    "unknown entry": ('source = "a paper"', 'sources = "a paper"', 10, "unknown entry 'sources'"),
    "empty source": ('"a paper"', '" "', 10, "source is empty"),
    "words": ('"Ends within 5 mm of the plan"', "5", 5, "words must be a text in quotes"),
    "id": ('id = "gain"', 'id = "gain: ours"', 4, "letters, digits, _ and -"),
    "missing entry": ('source = "a paper"\n', "", 3, "the entry 'source' is missing"),
    "unknown top": ('version = "1"', 'versions = "1"', 1, "unknown entry 'versions'"),
    "version": ('version = "1"', "version = []", 1, "version must be a text"),
}  # fmt: skip


@pytest.mark.parametrize("case", WRONG)
def test_one_message_with_the_line_the_criterion_the_rule_and_what_to_do(case):
    old, new, line, words = WRONG[case]
    assert GOOD.count(old) == 1
    message = refused(GOOD.replace(old, new))
    assert words in message
    if case == "level":
        return  # the allowed words are in it; its line is checked by "local"
    assert f"ours.toml, line {line}" in message
    if "top" not in case and case != "version":
        assert re.search(r"criterion 1 \(", message)


#: lines added to GOOD (12 and on) -> the line of the message; words
ADDED = {
    "unit": ('unit = "limb"', 12, "unit must be one of case, walking_episode"),
    "wrong unit": ('unit = "walking_episode"', 12, "counts one a case, not a walking_episode"),
    "days": ("matures_after_days = true", 12, "whole number, 0 or more"),
    "negative": ("matures_after_days = -1", 12, "whole number, 0 or more"),
    "index": ('index_date = "union"', 12, "index_date must be one of surgery_date"),
    "device": ('device_class = "lengthening_nail"', 12, "device_class must be a list"),
    "code": ('segment = ["femur", "thigh"]', 12, "got 'thigh'"),
    "age": ('age = "young"', 12, "age must be one of any, child, adult"),
    "minimum": ("minimum_completeness = 80", 12, "share from 0 to 1"),
    "exceptions": ('exceptions = "died"', 12, "exceptions must be a list of tables"),
    "exception keys": ('exceptions = [\n{ column = "outcome_status" },\n]', 13, "exception 1 must"),
    "exception column": (
        'exceptions = [\n  { column = "arrival_date", is = "given", words = "a" },\n'
        '  { column = "surgeon", is = ["S1"], words = "b" }\n]',
        14,
        "column of exception 2 must be one of outcome_status, aetiology, arrival_date",
    ),
    "lost": (
        'exceptions = [{ column = "outcome_status", is = ["lost_to_follow_up"], words = "a" }]',
        12,
        "is of exception 1 must name one or more of stopped_early, device_exchanged, amputated, died",
    ),
    "unknown cause": (
        '[[criterion.exceptions]]\ncolumn = "aetiology"\nis = ["unknown"]\nwords = "a"',
        12,
        "got ['unknown']",
    ),
    "exception words": (
        '[[criterion.exceptions]]\ncolumn = "arrival_date"\nis = "given"\nwords = "a"\n'
        '[[criterion.exceptions]]\ncolumn = "arrival_date"\nis = "given"\nwords = ""',
        16,
        "words of exception 2 are empty",
    ),
    "twice": (
        "\n" + GOOD[GOOD.index("[[") :].replace('"gain"', '"Gain"'),
        14,
        "the criterion id 'Gain' stands more than once",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", ADDED)
def test_entries_that_are_wrong_are_found_on_their_line(case):
    added, line, words = ADDED[case]
    message = refused(f"{GOOD}{added}\n")
    assert words in message
    assert message.startswith(f"ours.toml, line {line}, criterion")


def test_times_have_no_maturity_and_count_by_surgery():
    time = GOOD.replace("gain_within_tolerance", "time_to_union").replace(
        "proportion", "median_time"
    )
    assert "has no maturity" in refused(time + "matures_after_days = 10\n")
    assert "counts by its surgery_date" in refused(time + 'index_date = "union_date"\n')


def test_a_line_is_found_behind_long_strings_comments_and_arrays():
    text = (
        '# [[criterion]] of old\nversion = "1"\n\n[[ criterion ]]  # one\nid = "gain"\n'
        'words = """\n[[criterion]]\ntarget = 7 "quoted" \\""" """\n'  # lines 6 to 8
        "source = '''it's\nid = \"no\"'''\n"  # lines 9 and 10
        "segment = [ # [[criterion]]\n  'femur', # ]\n]\n"  # 11 to 13
        'measure = "gain_within_tolerance"\nstatistic = "proportion"\n"direction" = "at_least"\n'
        'target_level = "published"\n\n"target" = "much"\n'  # the target stands on line 19
    )
    tomllib.loads(text)  # the text itself is right
    assert refused(text).startswith("ours.toml, line 19, criterion 1 (gain): target must")
    windows = b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode()
    assert refused(windows).startswith("ours.toml, line 19, criterion 1 (gain): target must")


def test_criteria_written_as_a_list_of_inline_tables_have_lines_too():
    entry = ", ".join(line for line in GOOD.splitlines()[3:])
    text = (
        f'version = "1"\ncriterion = [\n  {{ {entry} }},\n  {{ {entry.replace("0.9", "9")} }},\n]\n'
    )
    message = refused(text.replace('id = "gain"', 'id = "other"', 1))
    assert message.startswith("ours.toml, line 4, criterion 2 (gain): target of a proportion")


def test_faults_of_syntax_and_of_text_name_the_line_and_what_to_do():
    message = refused(GOOD.replace("target = 0.9", "target = "))
    assert "not valid TOML" in message and "line 8" in message and "Correct that place" in message
    assert "line 12" in refused(GOOD + "target = 0.8\n")  # twice in one table
    broken = GOOD.encode().replace(b"a paper", b"a pap\xe9r")
    assert "not UTF-8 text (line 10). Save it as UTF-8" in refused(broken)
    assert "nested too deeply" in refused(f"version = {'[' * 5000}{']' * 5000}\n")
    assert "holds no [[criterion]]" in refused('version = "1"\n')
    assert "holds no [[criterion]]" in refused("criterion = 3\n")
    assert "criterion 1 is no table" in refused("criterion = [3]\n")


def test_the_lines_of_the_default_register_are_those_of_its_text():
    text = DEFAULT.read_text(encoding="utf-8")
    lines, found, number = text.splitlines(), entry_lines(text), 0
    for place, line in enumerate(lines, 1):
        if line == "[[criterion]]":
            number += 1
            assert found[number, None, None] == place
        elif (key := re.match(r"([a-z_]+) = ", line)) and number:
            assert found[number, key.group(1), None] == place
    assert number == len(read_criteria())


NOISE = ("", "# [[criterion]]", "   # id = 1", "\t")
VALUES = (
    '"a # b"', "'it \"'", '"""\n[[criterion]]\nid = 3\n"""', "'''x\n'y\n''z'''",
    "[1, [2, 3], {a = '}'}]", "[ # ]\n  'a', # c\n]", "{ b = ']', c = [1] }",
    '"""a"""""',
    "1979-05-27T07:32:00Z", "-1.5e3", '"\\" [["', '""', "''", "[]",
)  # fmt: skip


@pytest.mark.parametrize("seed", range(60))
def test_lines_of_random_texts_are_those_the_writer_knows(seed):
    """A text is written line by line with notes of where each entry went; then it is walked."""
    draw = random.Random(seed)
    lines: list[str] = []
    true: dict[tuple[int, str | None, None], int] = {}

    def put(text: str) -> int:
        lines.extend([draw.choice(NOISE) for _ in range(draw.randrange(3))])
        lines.extend(text.split("\n"))
        return len(lines) - text.count("\n")

    true[0, "version", None] = put('version = "1"')
    for number in range(1, draw.randrange(2, 6)):
        head = draw.choice(("[[criterion]]", "[[ criterion ]] # x", '[["criterion"]]'))
        true[number, None, None] = put(head)
        for place in range(draw.randrange(1, 7)):
            name = f"key_{place}"
            key = draw.choice((name, f'"{name}"', f"'{name}'", f"{name}.sub"))
            value = draw.choice(VALUES)
            true[number, name, None] = put(f"{key} = {value}{draw.choice(('', '  # note'))}")
    text = "\n".join(lines) + draw.choice(("", "\n"))
    tomllib.loads(text)
    found = entry_lines(text)
    assert {key: line for key, line in found.items() if key[2] is None} == true


def test_the_command_refuses_with_one_message_and_code_two(tmp_path, capsys):
    bad = tmp_path / "ours.toml"
    bad.write_text(GOOD.replace("target = 0.9", 'target = "0.9"'), encoding="utf-8")
    code = main(["report", "quarterly", str(DEMO), str(tmp_path / "out"), "--standards", str(bad)])
    said = capsys.readouterr()
    assert code == 2
    assert "ours.toml, line 8, criterion 1 (gain): target must be a number" in said.err + said.out
    assert "Traceback" not in said.err
    assert not (tmp_path / "out").exists()


def test_criteria_can_be_made_without_lines():
    entries = tomllib.loads(GOOD.replace("target = 0.9", "target = 9"))
    with pytest.raises(UnusableInput, match=r"^ours.toml, criterion 1 \(gain\): target of a"):
        criteria_from(entries, name="ours.toml")
