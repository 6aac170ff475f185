"""Every published value with its verdict, and ours beside it where it may stand there."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import pandas as pd

from audit.estimates.estimate import LEVEL
from audit.intake.published_value import PublishedValue
from audit.published.definitions import DEFINITIONS, factor
from audit.published.intervals import events_behind, published_estimate
from audit.published.matching import (
    OPEN,
    REFUSED,
    SAME,
    Match,
    Ours,
    group_of,
    match_value,
    parts_of,
)
from audit.published.ours import OurSide
from audit.run import AuditRun
from audit.series.case_series import CaseSeries
from schemas import vocabulary

#: whether a value stands beside ours when nothing contradicts but parts of its definition are not
#: said ("open": yes, with the parts named), or only when all are said ("stated")
DEFINITIONS_ASKED = ("open", "stated")
TEXT_COLUMNS = (
    "entry",
    "source",
    "verdict",
    "reason",
    "unsaid",
    "measure",
    "statistic",
    "group",
    "unit",
    "printed",
)
NUMBERS = ("value", "low", "high")
COLUMNS = [
    *TEXT_COLUMNS,
    *(f"their_{name}" for name in (*NUMBERS, "n", "missing", "method", "note")),
    "their_events",
    "their_decimals",
    "their_bones",
    "rounding_low",
    "rounding_high",
    *(f"our_{name}" for name in ("statistic", *NUMBERS, "n", "missing", "level", "method", "note")),
    "our_bones",
    "our_source",
    "in_plan",
    "population",
    "remark",
    "citation",
    "doi",
    "read_as",
]
_WHOLE = ("their_n", "their_missing", "their_events", "their_decimals", "our_n", "our_missing")


def compare_published(
    ours: AuditRun | CaseSeries, values: Sequence[PublishedValue], *, definitions: str = "open"
) -> pd.DataFrame:
    """One row a published value: verdict, reason, what it says, and our row where it stands beside.

    ours: a run, or a series with its plan. definitions: one of DEFINITIONS_ASKED. verdict:
    same_definition, definition_open or not_laid_beside. group: device class and bones, joined by
    "+". their_*: in our unit where it stands beside, else as printed; their_missing is empty where
    it is not said, their_events where no one count can be told. rounding_low and rounding_high:
    what the rounding of the printed figure alone leaves open once it is turned into another unit.
    our_*: the row that tables show, for the whole time; our_source: `results`, or `made for the
    comparison` where a set of bones is no group of results.csv. their_bones, our_bones: cases on
    each bone of a set, where known. in_plan: of a series, whether the plan splits outcomes by this
    group. Rows stand by measure and group, refused ones last, each in the order of the file. No
    test is made between the two. ValueError for another `definitions`.
    """
    if definitions not in DEFINITIONS_ASKED:
        listed = ", ".join(DEFINITIONS_ASKED)
        raise ValueError(f"definitions must be one of {listed}; got {definitions!r}")
    side = OurSide(ours)
    facts = side.facts()
    rows = [_row(side, value, _asked(match_value(value, facts), definitions)) for value in values]
    frame = pd.DataFrame(rows, columns=COLUMNS)
    frame["in_plan"] = frame["in_plan"].astype("boolean")
    for name in _WHOLE:
        frame[name] = frame[name].astype("Int64")
    for name in (*(f"their_{n}" for n in NUMBERS), *(f"our_{n}" for n in NUMBERS), "our_level"):
        frame[name] = frame[name].astype(float)
    return _in_order(frame, facts)


def beside(comparison: pd.DataFrame) -> pd.DataFrame:
    """The rows that stand beside ours."""
    return comparison.loc[comparison["verdict"] != REFUSED].reset_index(drop=True)


def refused(comparison: pd.DataFrame) -> pd.DataFrame:
    """The rows that do not, each with its reason."""
    return comparison.loc[comparison["verdict"] == REFUSED].reset_index(drop=True)


def sources(comparison: pd.DataFrame) -> pd.DataFrame:
    """One row a source: source, citation, doi, read_as, how many values stand beside and do not."""
    named = comparison.assign(beside=comparison["verdict"] != REFUSED)
    keys = ["source", "citation", "doi", "read_as"]
    counts = named.groupby(keys, sort=True)["beside"].agg(["sum", "size"]).reset_index()
    counts["refused"] = counts["size"] - counts["sum"]
    return counts.rename(columns={"sum": "beside"})[[*keys, "beside", "refused"]]


def _asked(match: Match, definitions: str) -> Match:
    if definitions == "open" or match.verdict != OPEN:
        return match
    reason = f"what was read does not say: {', '.join(match.unsaid)}"
    return dataclasses.replace(match, verdict=REFUSED, reasons=(reason,))


def _row(side: OurSide, value: PublishedValue, match: Match) -> dict[str, object]:
    stands = match.verdict in (SAME, OPEN)
    unit = match.unit if stands else value.unit
    times = (factor(value.unit, unit) if value.value is not None else 1.0) if stands else 1.0
    found = published_estimate(value, times=times or 1.0, unit=unit)
    row: dict[str, object] = {name: getattr(value, name) for name in _carried()}
    row |= {
        "verdict": match.verdict,
        "reason": "; ".join(match.reasons),
        "unsaid": ", ".join(match.unsaid) if stands else "",
        "group": match.group if stands else "",
        "unit": unit,
        "printed": printed(value),
        "their_n": value.n,
        "their_missing": value.missing,
        "their_method": found.method,
        "their_note": found.note,
        "their_events": events_behind(value),
        "their_decimals": value.decimals if value.value is not None else None,
        "their_bones": _bones(value.segment.split("+"), value.segment_n),
    }
    row |= {f"their_{name}": getattr(found, name) for name in NUMBERS}
    if stands and times not in (1.0, None) and value.value is not None and unit:
        half = 0.5 * 10.0**-value.decimals * (value.sum_of or 1)
        row |= {
            "rounding_low": (value.value - half) * times,
            "rounding_high": (value.value + half) * times,
        }
    return row | (_our_part(side, value, match.group) if stands else {})


def _carried() -> tuple[str, ...]:
    return ("entry", "source", "measure", "statistic", "population", "remark", "citation", "doi",
            "read_as")  # fmt: skip


def _our_part(side: OurSide, value: PublishedValue, group: str) -> dict[str, object]:
    bones = parts_of(group)[1]
    about = {
        "our_bones": _bones(bones, side.bones(group)) if len(bones) > 1 else "",
        "our_source": side.source(group),
        "in_plan": side.in_plan(group),
    }
    row = side.row(value.measure, value.statistic, group)
    if row is None:
        return {"our_note": "no case of this group has the measure", "our_level": LEVEL, **about}
    names = ("statistic", *NUMBERS, "n", "missing", "level", "method", "note")
    return {f"our_{name}": row[name] for name in names} | about


def _bones(bones: Sequence[str], counts: Sequence[int]) -> str:
    """`femur 24, tibia 8`; empty for one bone and where the counts are not known."""
    if len(bones) < 2 or not counts:
        return ""
    pairs = zip(bones, counts, strict=True)
    return ", ".join(f"{vocabulary.label('segment', b).lower()} {count}" for b, count in pairs)


def printed(value: PublishedValue) -> str:
    """The value as the paper prints it, with its spread and unit."""
    if value.value is None:
        return f"{value.events} of {value.n}"
    text = f"{value.value:.{value.decimals}f}"
    if value.sum_of is not None:
        text = f"sum of {value.sum_of} printed figures, {text}"
    if value.sd is not None:
        text += f" (SD {value.sd:g})"
    if value.low is not None and value.high is not None:
        kind = {"ci95": "95% CI", "quartiles": "quartiles", "range": "range"}[value.interval_kind]
        text += f" ({kind} {value.low:g} to {value.high:g})"
    text = f"{text} {value.unit}".strip()
    return text if value.events is None else f"{text}, {value.events} of {value.n}"


def _in_order(frame: pd.DataFrame, ours: Ours) -> pd.DataFrame:
    measures = {name: place for place, name in enumerate(DEFINITIONS)}
    place = pd.DataFrame(
        {
            "refused": frame["verdict"] == REFUSED,
            "measure": frame["measure"].map(measures).fillna(math.inf),
            "statistic": frame["statistic"],
            "group": [_place_of(group, ours) for group in frame["group"]],
        }
    )
    place.loc[place["refused"], "measure"] = 0
    place.loc[place["refused"], "statistic"] = ""
    order = place.sort_values(list(place.columns), kind="stable").index
    return frame.loc[order].reset_index(drop=True)


def _place_of(group: str, ours: Ours) -> tuple[int, ...]:
    """By device class, then one bone before several; nothing for a refused value."""
    if not group:
        return ()
    device_class, bones = parts_of(group)
    places = [ours.groups.index(group_of(device_class, [bone])) for bone in bones]
    classes = vocabulary.codes("device_class").index(device_class)
    return (classes, len(bones), *places)
