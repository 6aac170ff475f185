"""Facts for the paragraph on limits: what is missing, unfinished, lost, repeated, left out."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from audit.prose.facts import counts_of_series, patients_with_several
from audit.prose.numbers import Numbers
from audit.results.catalogue import BY_NAME, TIMES
from audit.series.case_series import CaseSeries
from audit.tables.shown import ShownTable
from audit.wording import NOT_ESTIMABLE, count_of, decimals_for, rounded
from schemas import vocabulary

NAME = "series_limits"
#: measures a reader of such a paper asks for first
MAIN = (
    "gain_error_mm",
    "final_gain_error_mm",
    "healing_index_days_per_cm",
    "knee_flexion_retention_pct",
)
LEFT_BY = ("lost_to_follow_up", "stopped_early", "device_exchanged", "amputated", "died")
Line = tuple[str, str, str]


def limits_table(series: CaseSeries) -> ShownTable:
    """One line a fact: its number, and in which direction it may move the results."""
    lines = [
        *_selection(series),
        *_unfinished(series),
        *_missing(series),
        *_follow_up(series),
        *_repeated(series),
        *_data(series),
    ]
    frame = pd.DataFrame(lines, columns=["Fact", "Number", "What it may do to the results"])
    notes = ("Numbers are counts over cases unless said. What they mean is for the author to say.",)
    return ShownTable(frame, NAME, "Facts for the limits of the study", notes)


def _selection(series: CaseSeries) -> Iterator[Line]:
    counts = counts_of_series(series)
    out = counts.cases_before - counts.cases
    yield (
        "Cases left out by the rules of selection",
        count_of(out, counts.cases_before),
        "results speak of those selected only",
    )
    data = counts.left_out.get("data", 0)
    yield (
        "of these, left out for the quality of their data",
        count_of(data, counts.cases_before),
        "worse records may go with worse courses: results may look better",
    )
    rules = series.flow.loc[series.flow["on_outcome"].astype(bool), "words"]
    yield (
        "Rules that look at something known only after surgery",
        "; ".join(rules) or "none",
        "selection on the outcome: results may look better" if len(rules) else "none",
    )


def _unfinished(series: CaseSeries) -> Iterator[Line]:
    cases = series.cases
    treated = int((cases["outcome_status"] == "in_treatment").sum())
    yield (
        "Cases still in treatment at the last day used",
        count_of(treated, len(cases)),
        "averages of finished cases leave out the slow ones: times and indices look shorter",
    )
    for code in LEFT_BY:
        count = int((cases["outcome_status"] == code).sum())
        words = vocabulary.label("outcome_status", code)
        effect = "those lost may differ from those seen" if code == LEFT_BY[0] else (
            "their course is cut off; see the competing events"
        )  # fmt: skip
        yield words, count_of(count, len(cases)), effect


def _missing(series: CaseSeries) -> Iterator[Line]:
    numbers = Numbers(series)
    for name in MAIN:
        row = numbers.row(name, "median")
        if row is not None:
            total = int(row["n"]) + int(row["missing"])
            yield (
                f"{BY_NAME[name].title}: no value",
                count_of(int(row["missing"]), total),
                "the cases without a value may differ from those with one",
            )
    for name in ("time_to_union", "time_to_full_weight_bearing"):
        row = numbers.row(name, "median_time")
        if row is not None:
            events = _events(str(row["note"]))
            title, _, each = TIMES[name]
            yield (
                f"{title}: not seen yet ({each})",
                count_of(int(row["n"]) - events, int(row["n"])),
                "kept in as censored; few at risk make late parts of a curve rough",
            )


def _events(note: str) -> int:
    """The events that the note of a time counts, as in `168 events among 195 (case)`."""
    found = [part for part in note.split("; ") if " events among " in part]
    return int(found[0].split(" ")[0]) if found else 0


def _follow_up(series: CaseSeries) -> Iterator[Line]:
    row = Numbers(series).row("follow_up_completeness_pct", "ratio_of_totals_clustered")
    text = NOT_ESTIMABLE
    if row is not None and pd.notna(row["value"]):
        text = f"{rounded(float(row['value']), decimals_for('%'))}%"
    yield (
        "Observed over potential follow-up for full weight bearing",
        text,
        "what happened unseen is not counted: late events are too few",
    )
    late = int((series.cases["entry_date"] > series.cases["surgery_date"]).sum())
    yield (
        "Cases taken over in mid-treatment",
        count_of(late, len(series.cases)),
        "early events elsewhere were not seen",
    )


def _repeated(series: CaseSeries) -> Iterator[Line]:
    counts = counts_of_series(series)
    yield (
        "Patients who give more than one case",
        count_of(patients_with_several(series), counts.patients),
        "cases of one patient are alike: intervals that ignore it are too narrow",
    )
    if counts.several:
        row = Numbers(series).row("healing_index_days_per_cm", "effective_n")
        if row is not None and pd.notna(row["value"]):
            yield (
                "Independent cases that the healing indices are worth",
                f"{rounded(float(row['value']), 0)} of {int(row['n'])}",
                "the smaller number is the one that carries information",
            )


def _data(series: CaseSeries) -> Iterator[Line]:
    cohort = series.run.cohort if series.whole is None else series.whole.cohort
    errors = int((cohort.queries["severity"] == "error").sum())
    yield (
        "Values that broke a rule and were left out of use",
        str(errors),
        "they count as missing",
    )
    yield (
        "Cells changed on reading",
        str(int(cohort.cleaning["cells"].sum()) if len(cohort.cleaning) else 0),
        "each change is in the cleaning log",
    )
    yield (
        "Groups were not formed at random",
        "by design",
        "differences between groups need not come from the device",
    )
