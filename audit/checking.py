"""Is the data fit to be used? The words of the `check` command."""

from __future__ import annotations

import dataclasses
import pathlib

from audit.cohort import Cohort, build_cohort
from audit.intake import Opened, open_source, source_name, tables_from_opened
from audit.periods import parse_day


@dataclasses.dataclass(frozen=True)
class Checked:
    """A source that was checked. cohort: what was judged. opened: the cells as typed, to show a
    question beside what it asks about. source: the name of the source, without a path."""

    cohort: Cohort
    opened: Opened
    source: str


def check_source(source: str | pathlib.Path, cutoff: str | None = None) -> Checked:
    """Read and judge a source up to a cut-off day (default: its last dated fact).

    The source is opened once. Raises UnusableInput as `read_source` and `build_cohort`.
    """
    day = None if cutoff is None else parse_day(cutoff, option="--cutoff")
    opened = open_source(source)
    cohort = build_cohort(tables_from_opened(opened), day)
    return Checked(cohort, opened, source_name(source))


def summary_lines(cohort: Cohort, most: int = 15) -> list[str]:
    """What was found, as lines for a terminal: rows, cohort, and the rules most often broken.

    Holds no value of a patient.
    """
    lines = ["Rows read, used and kept out"]
    for row in cohort.rows.itertuples():
        later = f", {row.later} later than the cut-off" if row.later else ""
        out = f", {row.kept_out} kept out" if row.kept_out else ""
        lines.append(f"  {row.table:<22}{row.read:>8} read, {row.used} used{out}{later}")
    cases = cohort.cases
    lines.append(
        f"Cohort up to {cohort.cutoff.date()}: {cases['patient_id'].nunique()} patients, "
        f"{len(cases)} cases"
    )
    queries = cohort.queries
    if queries.empty:
        return lines
    counts = (
        queries.groupby(["severity", "table", "column", "rule"])
        .size()
        .sort_values(ascending=False, kind="stable")
    )
    errors = int((queries["severity"] == "error").sum())
    lines.append(
        f"Data queries: {errors} errors (value out of use), {len(queries) - errors} warnings"
    )
    for (severity, table, column, rule), number in counts.head(most).items():
        lines.append(f"  {number:>5}  {severity:<8}{table}.{column}: {rule}")
    if len(counts) > most:
        lines.append(f"  and {len(counts) - most} more kinds")
    return lines
