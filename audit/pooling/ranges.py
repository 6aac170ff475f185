"""Result rows that are ranges: each centre gives what is certain of its own numbers."""

from __future__ import annotations

import math
from collections.abc import Sequence

from audit.estimates.proportions import wilson_limits
from audit.intake.aggregate_form import HIDDEN, Aggregate
from audit.pooling.bounds import Range, total_range
from audit.pooling.definitions import settings_of
from audit.pooling.parts import Cells, Key, Part, cells_of, part_of, range_of

NO_DOUBT = "the range holds no sampling doubt"
METHODS = {
    "count": "range of the sum",
    "proportion": "range of the pooled share",
    "proportion_envelope": "widest Wilson interval over all counts that fit",
    "rate": "range of the pooled rate",
    "mean": "range of the pooled mean",
    "sd": "range that holds the pooled standard deviation (n - 1)",
    "median": "range of the centres' medians, between which the pooled median lies",
}
#: statistics that no summary of the parts bounds -> why
NOT_BOUNDED = {
    "q1": "a pooled quartile needs the values themselves",
    "q3": "a pooled quartile needs the values themselves",
    "curve": "a pooled curve needs the at-risk tables",
    "ratio_of_totals": "nothing bounds the totals that are hidden",
}


def range_cells(found: Range) -> dict[str, float | None]:
    """low and high of a result row; None where nothing bounds the number."""
    return {
        "low": found.low if math.isfinite(found.low) else None,
        "high": found.high if math.isfinite(found.high) else None,
    }


def range_rows(aggregates: Sequence[Aggregate]) -> list[dict[str, object]]:
    """Result rows of aggregates of which at least one shows ranges only."""
    ordered = sorted(aggregates, key=lambda one: one.centres)
    cells = [(one, cells_of(one)) for one in ordered]
    keys = _keys_of_all(cells)
    level = settings_of(ordered[0].definitions).level
    rows = []
    for key in keys:
        parts = [part_of(one, found, key) for one, found in cells]
        means = [part_of(one, found, (key[0], "mean", *key[2:])) for one, found in cells]
        rows.append(_range_row(key, parts, means, ordered[0].period))
        if key[1] == "proportion":
            rows.append(_envelope_row(key, parts, ordered[0].period, level))
    return rows


def _keys_of_all(cells: Sequence[tuple[Aggregate, Cells]]) -> list[Key]:
    """Every cell of a measure and statistic that each aggregate has in some group, in order."""
    families = [{(key[0], key[1], key[4]) for key in found} for _, found in cells]
    common = set.intersection(*families)
    every = dict.fromkeys(key for _, found in cells for key in found)
    return [key for key in every if (key[0], key[1], key[4]) in common]


def _range_row(key: Key, parts: list[Part], means: list[Part], period: str) -> dict[str, object]:
    statistic = key[1]
    found = range_of(statistic, parts, means)
    row = _empty_row(key, period, parts, METHODS.get(statistic, statistic))
    if found.exact:
        return row | {"value": found.low, "note": "every part is exact; no interval"}
    if not math.isfinite(found.low) and not math.isfinite(found.high):
        why = NOT_BOUNDED.get(statistic, "nothing bounds what is hidden")
        return row | {"note": f"{_reasons(parts)}: {why}"}
    return row | range_cells(found) | {"note": f"{_reasons(parts)}; {NO_DOUBT}"}


def _envelope_row(key: Key, parts: list[Part], period: str, level: float) -> dict[str, object]:
    """The lowest and highest Wilson limit: fewest yes in most units, and most in the fewest."""
    least = sum(part.total.low for part in parts)
    most = sum(part.base.high for part in parts)
    pairs = [(min(part.total.high, part.base.high), part.base.low) for part in parts]
    top, fewest = sum(one for one, _ in pairs), sum(max(pair) for pair in pairs)
    name = f"{key[1]}_envelope"
    row = _empty_row((key[0], name, *key[2:]), period, parts, METHODS[name])
    if not all(map(math.isfinite, (most, top, fewest))) or most <= 0:
        return row | {"note": f"{_reasons(parts)}: nothing bounds what is hidden"}
    low = wilson_limits(max(least, 0.0), most, level)[0]
    high = wilson_limits(top, fewest, level)[1] if fewest > 0 else 1.0
    note = f"{_reasons(parts)}; rows taken as independent" if _reasons(parts) else "no value given"
    return row | {"low": low, "high": high, "level": level, "note": note}


def _empty_row(key: Key, period: str, parts: list[Part], method: str) -> dict[str, object]:
    size = total_range([part.base for part in parts])
    whole = size.exact and key[1] not in ("count", "rate")
    return {
        "measure": key[0],
        "statistic": key[1],
        "window": period,
        "group_by": key[2],
        "group": key[3],
        "n": int(size.low) if whole else None,
        "missing": None,
        "value": None,
        "low": None,
        "high": None,
        "level": None,
        "method": method,
        "unit": key[4],
        "note": "",
    }


def _reasons(parts: Sequence[Part]) -> str:
    """`[c]` and the reasons, with the centres they come from."""
    found = sorted({f"{part.hidden} ({part.centre})" for part in parts if part.hidden})
    rounded = sorted(
        part.centre
        for part in parts
        if not part.hidden and not (part.base.exact and part.total.exact)
    )
    words = [*found, *([f"rounded ({', '.join(rounded)})"] if rounded else [])]
    return f"{HIDDEN} {'; '.join(words)}" if words else ""
