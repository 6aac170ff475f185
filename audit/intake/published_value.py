"""One published value as a department types it in: what was printed, of whom, how defined.

An empty cell means that what was read does not say. Nothing is ever filled in for the paper.
"""

from __future__ import annotations

import dataclasses

from schemas import vocabulary

STATISTICS = ("mean", "median", "ratio_of_totals", "proportion", "rate", "median_time")
#: what `low` and `high` are
INTERVAL_KINDS = ("ci95", "quartiles", "range")
UNITS = (
    "days",
    "weeks",
    "months",
    "days/cm",
    "months/cm",
    "mm",
    "cm",
    "mm/day",
    "%",
    "share",
    "degrees",
    "events",
    "events per 100 cases",
)
STARTS = ("surgery", "distraction_start", "distraction_end")
ENDS = (
    "distraction_start",
    "distraction_end",
    "union",
    "fixator_removal",
    "full_weight_bearing",
    "knee_recovery",
)
UNION_RULES = ("two_cortices", "three_cortices", "four_cortices", "other")
COUNTS = ("cases", "limbs", "patients", "episodes")
READ_AS = ("abstract", "table", "full_text")

#: columns with a closed list; those of POOLED may join several codes by "+", none of them twice
CODES: dict[str, tuple[str, ...]] = {
    "statistic": STATISTICS,
    "interval_kind": INTERVAL_KINDS,
    "n_counts": COUNTS,
    "unit": UNITS,
    "starts": STARTS,
    "ends": ENDS,
    "union_rule": UNION_RULES,
    "device_class": vocabulary.codes("device_class"),
    "segment": vocabulary.codes("segment"),
    "read_as": READ_AS,
}
POOLED = ("device_class", "segment")
NUMBERS = ("value", "sd", "low", "high", "tolerance_mm")
WHOLE = ("sum_of", "events", "n", "missing")
#: counts joined by "+", one for each code of the column that they count
COUNTED_BY = {"segment_n": "segment"}
TEXTS = ("entry", "source", "measure", "population", "citation", "doi", "differs", "remark")
#: columns that must be there and filled in every line
REQUIRED = ("entry", "source", "measure", "citation")


@dataclasses.dataclass(frozen=True, kw_only=True)
class PublishedValue:
    """A line of a file of published values; its fields are the columns of that file.

    entry: its own id. source: short name, such as "Laubscher 2016". measure: as in results.csv.
    value, sd, low, high: as printed, in `unit`; interval_kind: what low and high are. sum_of: of
    how many printed figures `value` is the sum, None where it is printed itself. events, n,
    missing: counts; n_counts: of what. starts, ends: of the clock behind a time or an index.
    tolerance_mm: of a share within tolerance. device_class, segment: codes of the case tables,
    several joined by "+" where the paper does not part them; segment_n: how many of each bone, in
    the order of `segment`. differs: what the paper says of its definition that is not ours and that
    no other column can hold; such a value is not laid beside ours. decimals: with which value was
    printed. line: in the file. Texts are "" and numbers None where what was read does not say.
    """

    entry: str
    source: str
    measure: str
    citation: str
    statistic: str = ""
    value: float | None = None
    sum_of: int | None = None
    sd: float | None = None
    low: float | None = None
    high: float | None = None
    interval_kind: str = ""
    events: int | None = None
    n: int | None = None
    n_counts: str = ""
    missing: int | None = None
    unit: str = ""
    starts: str = ""
    ends: str = ""
    union_rule: str = ""
    tolerance_mm: float | None = None
    device_class: str = ""
    segment: str = ""
    segment_n: tuple[int, ...] = ()
    population: str = ""
    doi: str = ""
    read_as: str = ""
    differs: str = ""
    remark: str = ""
    decimals: int = 0
    line: int = 0


COLUMNS: tuple[str, ...] = tuple(
    field.name
    for field in dataclasses.fields(PublishedValue)
    if field.name not in ("decimals", "line")
)
