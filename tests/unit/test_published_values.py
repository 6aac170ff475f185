"""The file of published values: read right, or refused with file, line, column and rule."""

from __future__ import annotations

import pytest

from audit.errors import UnusableInput
from audit.intake.published_value import COLUMNS, REQUIRED
from audit.intake.published_values import published_values_from, read_published_values

GOOD = {
    "entry": "a1",
    "source": "Example 2020",
    "measure": "healing_index_days_per_cm",
    "statistic": "mean",
    "value": "31.30",
    "unit": "days/cm",
    "n": "20",
    "n_counts": "cases",
    "device_class": "lengthening_nail",
    "segment": "femur",
    "citation": "Example A. J Example 2020;1:1-2",
}


def file_of(*lines: dict[str, str], separator: str = ",") -> bytes:
    heads = list(dict.fromkeys(name for line in lines for name in line))
    rows = [separator.join(heads)]
    rows += [separator.join(f'"{line.get(name, "")}"' for name in heads) for line in lines]
    return "\n".join(rows).encode()


def read(*lines: dict[str, str]):
    return published_values_from(file_of(*lines), name="mine.csv")


def test_a_line_is_read_as_it_stands():
    found = read(GOOD).values[0]
    assert (found.value, found.decimals, found.n, found.line) == (31.3, 2, 20, 2)
    assert (found.starts, found.sd, found.missing, found.doi) == ("", None, None, "")
    pooled = read({**GOOD, "segment": "femur+tibia", "segment_n": "14+6"}).values[0]
    assert (pooled.segment, pooled.segment_n) == ("femur+tibia", (14, 6))


def test_other_separators_and_encodings_of_the_way_in_are_read_too():
    content = file_of({**GOOD, "source": "Cánovas 2018"}, separator=";").decode().encode("cp1252")
    assert published_values_from(content, name="mine.csv").values[0].source == "Cánovas 2018"


@pytest.mark.parametrize(
    ("change", "column", "words"),
    [
        ({"statistic": "average"}, "statistic", "'average' is not one of mean, median"),
        ({"unit": "d/cm"}, "unit", "is not one of days, weeks"),
        ({"device_class": "nail"}, "device_class", "is not one of lengthening_nail"),
        ({"segment": "femur+shin"}, "segment", "'shin' is not one of"),
        ({"value": "31,3"}, "value", "decimal point"),
        ({"value": "31.3 d/cm"}, "value", "plain number"),
        ({"value": ""}, "value", "is empty"),
        ({"n": "20.5"}, "n", "whole number"),
        ({"n": "-3"}, "n", "whole number"),
        ({"sd": "0"}, "sd", "more than 0"),
        ({"low": "20"}, "high", "is empty while the other limit is given"),
        ({"low": "20", "high": "40"}, "interval_kind", "say what low and high are"),
        ({"interval_kind": "range"}, "low", "Add both limits"),
        ({"low": "33", "high": "40", "interval_kind": "ci95"}, "low", "rising order"),
        ({"segment": "femur+femur"}, "segment", "femur stands more than once"),
        ({"segment_n": "12+8"}, "segment_n", "one count for each code of segment"),
        ({"segment": "femur+tibia", "segment_n": "12 8"}, "segment_n", "joined by"),
        ({"segment": "femur+tibia", "segment_n": "12+0"}, "segment_n", "whole numbers from 1"),
        ({"segment": "femur+tibia", "segment_n": "12+7"}, "segment_n", "adds up to less than n"),
        ({"sum_of": "1"}, "sum_of", "must be 2 or more"),
        ({"events": "3"}, "events", "proportion or a rate only"),
        ({"citation": ""}, "citation", "is empty"),
        ({"source": " "}, "source", "is empty"),
        ({"doi": "doi.org/10.1/x"}, "doi", "must look like 10."),
        ({"entry": "a b"}, "entry", "letters, digits"),
        ({"tolerance_mm": "-1"}, "tolerance_mm", "0 or more"),
        ({"read_as": "heard"}, "read_as", "is not one of abstract"),
    ],
)
def test_a_fault_names_line_column_and_what_to_do(change, column, words):
    with pytest.raises(UnusableInput) as caught:
        read(GOOD, {**GOOD, "entry": "a2", **change})
    message = str(caught.value)
    assert message.startswith("mine.csv cannot be used:\n")
    assert f"line 3, column {column}: " in message
    assert words in message


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"events": "21"}, "must not be more than n"),
        ({"events": "12", "value": "35", "unit": "%"}, "does not agree with events and n"),
        ({"events": "12", "value": "61", "unit": "%"}, "does not agree with events and n"),
        ({"value": "120", "unit": "%"}, "lies between 0 and 100"),
        ({"value": "60", "unit": "share"}, "lies between 0 and 1"),
    ],
)
def test_a_share_must_agree_with_its_counts(change, words):
    share = {**GOOD, "statistic": "proportion", "value": "", "unit": ""}
    with pytest.raises(UnusableInput, match=words):
        read({**share, **change})


@pytest.mark.parametrize(
    ("events", "n", "printed"),
    [("2", "12", "16.6"), ("29", "62", "46.7"), ("332", "983", "34"), ("48", "50", "96")],
)
def test_a_share_that_a_paper_cut_instead_of_rounding_is_no_fault(events, n, printed):
    """2/12 printed 16.6 (doi 10.1186/s13018-023-04229-y), 29/62 printed 46.7 (doi
    10.1186/s12891-023-06527-2), 332/983 printed 34 (doi 10.1080/17453674.2020.1835321)."""
    line = {**GOOD, "statistic": "proportion", "value": printed, "unit": "%"}
    assert read({**line, "events": events, "n": n}).values[0].events == int(events)


def test_every_fault_is_named_up_to_ten_and_the_rest_counted():
    wrong = [{**GOOD, "entry": f"e{i}", "unit": "d"} for i in range(13)]
    with pytest.raises(UnusableInput) as caught:
        read(*wrong)
    assert str(caught.value).count("column unit") == 10
    assert str(caught.value).endswith("and 3 more")


def test_an_entry_may_not_stand_twice():
    with pytest.raises(UnusableInput, match="line 3, column entry: stands in line 2 already"):
        read(GOOD, GOOD)


def test_headings_are_checked_before_any_line():
    with pytest.raises(UnusableInput, match=r"unknown column 'devise_class'.*Did you mean devi"):
        read({**GOOD, "devise_class": "x"})
    for name in REQUIRED:
        with pytest.raises(UnusableInput, match=f"the column {name} is missing"):
            read({key: cell for key, cell in GOOD.items() if key != name})
    doubled = b"entry,entry,source,measure,citation\na,b,c,d,e\n"
    with pytest.raises(UnusableInput, match="entry stands more than once"):
        published_values_from(doubled, name="mine.csv")


def test_shifted_cells_and_empty_files_are_refused():
    content = file_of(GOOD) + b"\na,b,c,d,1,2,3,4,5,6,7,8\n"
    with pytest.raises(UnusableInput, match=r"mine.csv, line 3: more cells than headings"):
        published_values_from(content, name="mine.csv")
    with pytest.raises(UnusableInput, match="holds no published value"):
        published_values_from(b"entry,source,measure,citation\n", name="mine.csv")
    with pytest.raises(UnusableInput, match="is empty"):
        published_values_from(b"", name="mine.csv")


def test_a_missing_file_is_named_without_its_folder(tmp_path):
    with pytest.raises(UnusableInput) as caught:
        read_published_values(tmp_path / "gone.csv")
    assert "gone.csv" in str(caught.value)
    assert str(tmp_path) not in str(caught.value)


def test_the_kits_own_values_say_where_they_come_from_and_what_was_read():
    own = read_published_values()
    assert len(own.values) > 40
    assert len(own.sha256) == 64
    for value in own.values:
        assert value.citation and value.read_as and value.population
        assert value.value is not None or (value.events is not None and value.n)
    by_source: dict[str, set[str]] = {}
    for value in own.values:
        by_source.setdefault(value.source, set()).add(value.citation)
    assert all(len(cited) == 1 for cited in by_source.values())


@pytest.mark.parametrize(
    ("entry", "field", "printed"),
    [
        # abstracts: doi 10.1302/0301-620X.98B10.36643; 10.1080/17453674.2018.1534321;
        # 10.3109/17453674.2011.584209; 10.4103/jllr.jllr_3_20; 10.3390/children10101586;
        # 10.1080/17453674.2020.1835321
        ("laubscher_nail_healing", "value", 31.3),
        ("laubscher_mono_healing", "value", 47.1),
        ("laubscher_mono_goal", "events", 12),
        ("horn_tibia_consolidation", "high", 4.0),
        ("krieg_tibia_consolidation", "value", 48),
        ("fragomen20_circular_healing", "value", 1.9),
        ("depaoli_femur_healing", "sd", 25),
        ("frost_complications", "n", 983),
        ("frost_type_ii_or_worse", "value", 23),
        ("frost_type_iii", "value", 8),
        ("frost_type_iiib", "value", 3),
        ("depablos_complication", "segment_n", (23, 8)),
    ],
)
def test_values_of_the_kit_are_those_of_the_abstracts(entry, field, printed):
    own = {value.entry: value for value in read_published_values().values}
    assert getattr(own[entry], field) == printed


def test_the_columns_of_the_file_are_the_fields_of_a_value():
    header = ",".join(COLUMNS)
    assert header.startswith("entry,source,measure,citation,statistic,value,sum_of,sd,low,high")
