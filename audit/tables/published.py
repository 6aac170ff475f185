"""Published values beside ours, those that may not stand there with the reason, and the sources."""

from __future__ import annotations

import pandas as pd

from audit import wording
from audit.estimates.estimate import LEVEL, Estimate
from audit.published import MADE_HERE, OPEN, beside, parts_of, refused, sources
from audit.published.definitions import DEFINITIONS, HOW_TO_ENTER, TWO_MEANINGS
from audit.results.catalogue import BY_NAME, TIMES
from audit.settings import Settings
from audit.tables.shown import ShownTable
from schemas import vocabulary

THIS_SERIES = "This series"
NOT_SAID = "not said"
#: titles of measures that stand in no catalogue
TITLES = {
    "cases_with_complication": "Cases with a complication",
    "patients_with_complication": "Patients with a complication",
    "complications_per_100_cases": "Complications per 100 cases",
    "complications_type_ii_or_worse_per_100_cases": "Complications of type II or worse "
    "per 100 cases",
    "complications_type_iii_per_100_cases": "Complications of type III per 100 cases",
    "complications_type_iiib_per_100_cases": "Complications of type IIIB per 100 cases",
    "cases_with_unplanned_operation": "Cases with an unplanned operation",
    "unplanned_operations_per_100_cases": "Unplanned operations per 100 cases",
    "consolidation_index": "Consolidation index",
    "lengthening_index": "Lengthening index",
    "accuracy_pct": "Accuracy",
    "goal_reached": "Goal reached",
    "residual_discrepancy_mm": "Residual difference in leg length",
    "residual_discrepancy_within_tolerance": "Residual difference within tolerance",
    "knee_flexion_loss_deg": "Knee flexion lost",
}
#: how to write a statistic beside the name of its measure
STATISTIC_WORDS = {
    "mean": "mean",
    "median": "median",
    "ratio_of_totals": "total over total",
    "proportion": "share",
    "rate": "rate",
    "median_time": "median",
    "": NOT_SAID,
}
NO_TEST = (
    "No test is made between the series: they are different patients, treated elsewhere and "
    "measured by others. Read the columns Definition and Population before any number."
)
CI_NOTE = "CI: confidence interval; SD: standard deviation."


def measure_title(measure: str) -> str:
    """The words for a measure of ours or a name that only papers use."""
    if measure in BY_NAME:
        return BY_NAME[measure].title
    if measure in TIMES:
        return TIMES[measure][0]
    return TITLES.get(measure, measure.replace("_", " "))


def group_title(group: str) -> str:
    """`Lengthening nail, femur and tibia` of the group of a comparison."""
    device_class, bones = parts_of(group)
    names = [vocabulary.label("segment", bone).lower() for bone in bones]
    together = " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
    return f"{vocabulary.label('device_class', device_class)}, {together}"


def heading_words(row: pd.Series) -> str:
    """`Healing index, mean (days/cm)` of a row of a comparison."""
    if row["statistic"] == "rate":
        return measure_title(row["measure"])
    unit = f" ({row['unit']})" if row["unit"] else ""
    return f"{measure_title(row['measure'])}, {STATISTIC_WORDS[row['statistic']]}{unit}"


def side_estimate(row: pd.Series, side: str) -> Estimate:
    """One side of a comparison as an estimate; side: `our` or `their`."""

    def number(name: str) -> float | None:
        found = row[f"{side}_{name}"]
        return None if pd.isna(found) else float(found)

    def count(name: str) -> int:
        found = row[f"{side}_{name}"]
        return 0 if pd.isna(found) else int(found)

    return Estimate(
        value=number("value"),
        low=number("low"),
        high=number("high"),
        level=LEVEL if side == "their" else float(row["our_level"]),
        n=count("n"),
        missing=count("missing"),
        unit=str(row["unit"]),
        note=_text(row[f"{side}_note"]) or "not estimable",
    )


def value_words(row: pd.Series, side: str) -> str:
    """The value of one side with its interval, as the other tables write it."""
    found = side_estimate(row, side)
    counted = found.n > 0 and pd.notna(row["their_events"])
    if side == "their" and not counted and found.value is not None:
        return _as_printed(row, found)
    if row["statistic"] == "proportion":
        return wording.share_with_interval(found)
    return wording.with_interval(found)


def _as_printed(row: pd.Series, found: Estimate) -> str:
    """A figure without a count behind it: with no more decimals than were printed, unless it was
    turned into another unit."""
    own, printed = wording.decimals_for(found.unit), int(row["their_decimals"])
    value, low, high, sign = float(row["their_value"]), found.low, found.high, ""
    decimals = min(own, printed) if pd.isna(row["rounding_low"]) else own
    if row["statistic"] == "proportion":
        value, decimals, sign = 100 * value, printed if "%" in row["printed"] else 0, "%"
        low, high = (None if side is None else 100 * side for side in (low, high))
    text = f"{wording.rounded(value, decimals)}{sign}"
    if low is None and high is None:
        return f"{text} (no interval)"
    return f"{text} ({wording.span(low, high, decimals).replace(' to', f'{sign} to')}{sign})"


def published_table(comparison: pd.DataFrame, settings: Settings) -> ShownTable:
    """Ours and, below it, every published value of the same measure, device class and bones.

    comparison: from `audit.published.compare_published`. settings: of the run, for our definition.
    """
    rows = beside(comparison)
    lines: list[dict[str, str]] = []
    for _, part in rows.groupby(["measure", "statistic", "group"], sort=False):
        lines.append(_our_line(part.iloc[0], settings))
        lines += [_their_line(row) for _, row in part.iterrows()]
    columns = list(_line("", "", "", "", "", "", "", ""))
    notes = [NO_TEST, CI_NOTE]
    if rows.empty:
        notes.insert(0, "No published value of this file may stand beside ours; see the reasons.")
    else:
        notes += _notes(rows)
    return ShownTable(
        pd.DataFrame(lines, columns=columns),
        "series_published",
        "Our results beside published values of the same measure, device class and bones",
        tuple(notes),
        row_headings=2,
    )


def _line(*cells: str) -> dict[str, str]:
    heads = ("Measure and group", "Series", "n", "Missing", "Value (95% CI)", "Interval",
             "Definition", "Population")  # fmt: skip
    return dict(zip(heads, cells, strict=True))


def _our_line(row: pd.Series, settings: Settings) -> dict[str, str]:
    interval = "" if pd.isna(row["our_low"]) else str(row["our_method"])
    return _line(
        f"{heading_words(row)}: {_lower(group_title(row['group']))}",
        THIS_SERIES,
        _count(row["our_n"]),
        _count(row["our_missing"]),
        value_words(row, "our"),
        interval or _text(row["our_note"]),
        our_definition(row["measure"], settings),
        "; ".join(filter(None, (row["our_bones"], "see the table of patients"))),
    )


def _their_line(row: pd.Series) -> dict[str, str]:
    no_limits = pd.isna(row["their_low"])
    note = _text(row["their_note"])
    made = note if no_limits else "; ".join(filter(None, (str(row["their_method"]), note)))
    open_parts = f"{NOT_SAID}: {row['unsaid']}"
    return _line(
        f"{heading_words(row)}: {_lower(group_title(row['group']))}",
        str(row["source"]),
        _count(row["their_n"]),
        _count(row["their_missing"]),
        _their_value(row),
        made,
        open_parts if row["verdict"] == OPEN else "as ours",
        _population(row),
    )


def _their_value(row: pd.Series) -> str:
    text = value_words(row, "their")
    if pd.isna(row["rounding_low"]):
        return text
    decimals = wording.decimals_for(str(row["unit"]))
    room = wording.span(row["rounding_low"], row["rounding_high"], decimals)
    return f"{text}; printed {row['printed']}, whose rounding alone leaves {room}"


def our_definition(measure: str, settings: Settings) -> str:
    """Our definition in words, such as `surgery to union (3 of 4 cortices)`."""
    known = DEFINITIONS[measure]
    parts = [known.words] if known.words else []
    if known.starts:
        parts.append(f"{known.starts.replace('_', ' ')} to {known.ends.replace('_', ' ')}")
    if known.ends == "union":
        parts.append(f"union = {settings.union_cortices} of 4 cortices")
    if known.tolerance:
        parts.append(f"within {settings.tolerance_mm:g} mm of the plan")
    parts.append(f"one a {known.counts.removesuffix('s')}")
    return ", ".join(parts)


def _notes(rows: pd.DataFrame) -> list[str]:
    notes = [
        "Missing, ours: cases of the group without the measure; theirs: as the paper says.",
        *bone_notes(rows),
        *_group_notes(rows),
    ]
    if (rows["verdict"] == OPEN).any():
        notes.append(
            "Where part of a definition is not said, nothing that was read contradicts ours; the "
            "full paper may. Read it before the value is quoted."
        )
    if rows["rounding_low"].notna().any():
        notes.append("Turned into our unit: a month is 30.4375 days, a week 7 days.")
    made = rows.loc[rows["their_low"].notna()]
    if len(made):
        notes.append("Intervals made from a paper's own figures take its cases as independent.")
    if rows["measure"].str.contains("_type_").any():
        notes.append(
            "Complications by type: a case with a complication whose severity type is not recorded "
            "is missing in ours."
        )
    return notes


def bone_notes(rows: pd.DataFrame) -> list[str]:
    """A sentence for each group of several bones: how many cases on each, in ours and in theirs.

    rows: of a comparison, those that stand beside ours.
    """
    notes = []
    pooled = rows.loc[rows["our_bones"].fillna("") != ""]
    for group, part in pooled.groupby("group", sort=False):
        said = part.drop_duplicates(["source", "their_bones"])
        theirs = [f"{row['source']} {row['their_bones'] or NOT_SAID}" for _, row in said.iterrows()]
        ours = part["our_bones"].iloc[0]
        notes.append(
            f"{group_title(str(group))} together: this series {ours}; {'; '.join(theirs)}. A "
            "different mix of bones alone can part two results."
        )
    return notes


def _group_notes(rows: pd.DataFrame) -> list[str]:
    """Where our groups are none of results.csv, or none by which the plan splits the outcomes."""
    notes = []
    for chosen, words in (
        (rows["our_source"] == MADE_HERE, "Made for this comparison, not in results.csv"),
        (rows["in_plan"].eq(False).fillna(False), "Not a group by which the plan splits outcomes"),
    ):
        named = [_lower(group_title(group)) for group in rows.loc[chosen, "group"].unique()]
        notes += [f"{words}: {'; '.join(named)}."] if named else []
    return notes


def published_refused_table(comparison: pd.DataFrame) -> ShownTable:
    """Every published value that may not stand beside ours, as printed, with all reasons."""
    rows = refused(comparison)
    frame = pd.DataFrame(
        {
            "Source": rows["source"].astype(str),
            "Measure as named": rows["measure"].map(measure_title),
            "As printed": rows["printed"],
            "n": rows["their_n"].map(_count),
            "Not laid beside because": rows["reason"].map(_opening),
            "Population": [_population(row) for _, row in rows.iterrows()],
        }
    )
    counts = f"{len(rows)} of {len(comparison)} published values."
    notes = [
        f"{counts} A value is refused, not forgotten: with the missing part looked up in the "
        "paper and entered, it is judged again.",
    ]
    if rows["measure"].isin(list(TWO_MEANINGS)).any():
        notes.append(HOW_TO_ENTER)
    caption = "Published values that are not laid beside ours, and why"
    name = "series_published_refused"
    return ShownTable(frame, name, caption, (*notes, CI_NOTE), row_headings=2)


def published_sources_table(comparison: pd.DataFrame) -> ShownTable:
    """The sources of the published values: citation, DOI, what of them was read."""
    found = sources(comparison)
    words = {"": NOT_SAID, "full_text": "full text"}
    frame = pd.DataFrame(
        {
            "Source": found["source"],
            "Citation": found["citation"],
            "DOI": found["doi"],
            "Read": found["read_as"].map(lambda code: words.get(code, code)),
            "Values beside ours": found["beside"].astype(str),
            "Values refused": found["refused"].astype(str),
        }
    )
    notes = (
        "Read: the part of the source that was read when the value was entered. Titles are left "
        "out. DOI: digital object identifier.",
    )
    caption = "Sources of the published values"
    return ShownTable(frame, "series_published_sources", caption, notes)


def _population(row: pd.Series) -> str:
    return "; ".join(filter(None, (row["population"] or NOT_SAID, row["remark"])))


def _count(number: object) -> str:
    return NOT_SAID if pd.isna(number) else str(int(number))  # type: ignore[call-overload]


def _text(cell: object) -> str:
    return "" if pd.isna(cell) else str(cell)  # type: ignore[call-overload]


def _opening(text: str) -> str:
    return text[:1].upper() + text[1:]


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]
