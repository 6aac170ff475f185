"""An earlier external release, read back from its files to be compared with the one of today."""

from __future__ import annotations

import csv
import json
import pathlib
from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from audit.disclosure.controlled import ControlledTable
from audit.disclosure.flags import COARSER
from audit.errors import UnusableInput
from audit.release.summary.data_package import FILE
from audit.release.summary.gate import TEXTS, base_of
from audit.release.summary.manifest import manifest_name, manifest_problems
from audit.release.summary.table_sheets import SHOWN
from audit.summaries.rows import summary_frame
from audit.summaries.table import SummaryTable

LEVEL = "external"
NUMBERS = ("numerator", "denominator", "value", "low", "high")


def read_release(
    folder: str | pathlib.Path, *, like: Sequence[SummaryTable]
) -> tuple[ControlledTable, ...]:
    """The tables of an external release, as far as they can be known from what left.

    folder: the release, or the output folder that holds it. like: the exact tables of today, from
    which those of the same name take what no file says (which dimensions add up, which categories
    may be merged); the exact numbers of the release are not there, so its tables have none.

    Raises UnusableInput when there is no release, when a file was changed since it was written, or
    when it cannot be read.
    """
    home = pathlib.Path(folder)
    home = home / LEVEL if (home / LEVEL).is_dir() else home
    name = pathlib.Path(folder).name
    if not (home / FILE).is_file():
        raise UnusableInput(
            f"{name} holds no external release: give the output folder of an earlier export, or "
            f"its folder {LEVEL}."
        )
    problems = manifest_problems(home, name=manifest_name(LEVEL))
    if problems:
        raise UnusableInput(
            f"The earlier release in {name} is not as it was written: {problems[0]}."
        )
    known = {table.name: table for table in like}
    try:
        package = json.loads((home / FILE).read_text(encoding="utf-8"))
        resources = [one for one in package["resources"] if "tableName" in one]
        return tuple(_table(home, one, known.get(one["tableName"])) for one in resources)
    except (OSError, ValueError, KeyError, TypeError):
        raise UnusableInput(
            f"The earlier release in {name} cannot be read: it was written in another form."
        ) from None


def _table(
    home: pathlib.Path, resource: Mapping[str, Any], twin: SummaryTable | None
) -> ControlledTable:
    """One table of the release; twin: the table of today with its name, if there is one."""
    frame = _frame(home / resource["path"])
    dimensions = tuple(name for name in frame if name not in (*TEXTS, *NUMBERS))
    key = resource["schema"]["primaryKey"]
    flags = tuple(resource["flags"])
    merged = any(words.startswith(COARSER) for words in flags)
    table = SummaryTable(
        name=resource["tableName"],
        title=resource["title"],
        period=resource["period"],
        population=resource["population"],
        counted=resource["counted"],
        dimensions=dimensions,
        frame=summary_frame(dimensions, ()),
        additive=twin.additive if twin else (),
        coarser={} if merged or twin is None else dict(twin.coarser),
        tied=tuple(name for name in dimensions if name not in key),
    )
    hidden = resource["hiddenCells"]
    return ControlledTable(
        table=table,
        level=resource["releaseLevel"],
        frame=frame,
        controls=tuple(resource["controls"]),
        flags=flags,
        hidden=(int(hidden["primary"]), int(hidden["secondary"])),
    )


def _frame(path: pathlib.Path) -> pd.DataFrame:
    """The rows of a table; a marker in the place of a number is a missing number."""
    with path.open(encoding="utf-8", newline="") as lines:
        header, *rows = list(csv.reader(lines))
    frame = pd.DataFrame(rows, columns=header)
    names = {name: base_of(name) for name in header if base_of(name) in NUMBERS}
    frame = frame.rename(columns=names)
    for name in names.values():
        frame[name] = pd.to_numeric(frame[name].where(~frame[name].str.startswith("[")))
    # the n of an average is its own whole: one number, which may have been built up from its parts
    own = frame["statistic"].eq("count") & frame["numerator"].eq(frame["denominator"])
    return frame.assign(
        marker=frame["marker"].replace({SHOWN: ""}),
        denominator=frame["denominator"].mask(own),
    )
