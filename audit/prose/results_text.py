"""The results in sentences; every estimate is a `Keyed` tied to its row of results.csv."""

from __future__ import annotations

import pandas as pd

from audit.document import Paragraph
from audit.prose.facts import (
    counts_of_series,
    kinds_words,
    patients_with_several,
    period_words,
)
from audit.prose.numbers import (
    Numbers,
    Piece,
    Pieces,
    joined,
    keyed,
    listed,
    lower_first,
    mean,
    number,
    number_of,
    quartiles,
    reasons,
    share,
)
from audit.prose.pointers import Pointers
from audit.results.catalogue import BY_NAME
from audit.results.groups import NOT_RECORDED
from audit.tables.shown import group_words
from audit.wording import count_of

OF_CASES = ("median", "q1", "q3")
OF_TIMES = ("median_time", "q1_time", "q3_time")
WALKING = "time_to_full_weight_bearing"


def participants(numbers: Numbers, pointers: Pointers) -> list[Paragraph]:
    """Who is in: counts of the flow and of the cases, which no row of results holds."""
    series = numbers.series
    counts = counts_of_series(series)
    out = counts.cases_before - counts.cases
    left = ", ".join(f"{ground} {count}" for ground, count in counts.left_out.items() if count)
    first = (
        f"Of {counts.cases_before} cases ({counts.limbs_before} limbs, "
        f"{counts.patients_before} patients), {out} were left out{f' ({left})' if left else ''}; "
        f"{counts.cases} cases ({counts.limbs} limbs, {counts.patients} patients) form the series"
        f"{pointers.see('series_flow_diagram', 'series_flow', 'flow')}. They were operated "
        f"{period_words(series)}. "
    )
    several = count_of(patients_with_several(series), counts.patients)
    second = (
        f"More than one case was given by {several} patients. Devices: "
        f"{kinds_words(series, 'device_class')}. Segments: {kinds_words(series, 'segment')}"
        f"{pointers.see('series_table_one', 'table_one')}."
    )
    return [Paragraph((first + second,))]


def follow_up(numbers: Numbers, pointers: Pointers) -> list[Paragraph]:
    """Median follow-up by the reverse curve, completeness, and how the cases stand."""
    cases = numbers.series.cases
    pieces = joined(
        "Median follow-up of walking episodes for full weight bearing: ",
        number(numbers.row("follow_up_days", "median_time")),
        ". Observed over potential time: ",
        number(numbers.row("follow_up_completeness_pct", "ratio_of_totals_clustered")),
        f"{pointers.see('series_follow_up', 'series_followed', 'series_last_seen')}. At the last "
        "day used the cases were: "
        f"{kinds_words(numbers.series, 'outcome_status')}.",
    )
    late = int((cases["entry_date"] > cases["surgery_date"]).sum())
    if late:
        pieces += [f" Taken over in mid-treatment: {count_of(late, len(cases))}."]
    return [Paragraph(_trimmed(pieces))]


def lengthening(numbers: Numbers, pointers: Pointers) -> list[Paragraph]:
    """Latency, distraction, and achieved against planned gain."""
    bias = numbers.row("gain_agreement_mm", "bias")
    limits = [numbers.row("gain_agreement_mm", name) for name in ("limit_low", "limit_high")]
    tolerance = numbers.run.cohort.settings.tolerance_mm
    first = joined(
        _median(numbers, "latency_days"),
        _median(numbers, "distraction_index_mm_per_day"),
        _median(numbers, "lengthening_pct"),
    )
    second = joined(
        "Achieved minus planned gain was on average ",
        number(bias),
        ", with limits of agreement from ",
        number(limits[0]),
        " to ",
        number(limits[1]),
        pointers.see("series_outcomes", "gain_agreement", "series_outcomes_length"),
        f". Within {tolerance:g} mm of the plan: ",
        share(numbers.row("gain_within_tolerance", "proportion"), "cases"),
        ". ",
        _groups_of_shares(numbers, "gain_within_tolerance"),
        _median(numbers, "length_lost_mm"),
    )
    return [Paragraph(_trimmed(first)), Paragraph(_trimmed(second))]


def healing(numbers: Numbers, pointers: Pointers) -> list[Paragraph]:
    """Time to union and the healing index, among the healed and with waiting cases kept."""
    index = "healing_index_days_per_cm"
    first = joined(
        _time(numbers, "time_to_union", "Median time to union"),
        f"{pointers.see('series_outcomes', 'time_to_union', 'series_outcomes_healing')}. ",
        "Among united cases the healing index had a median of ",
        quartiles(numbers, index, OF_CASES),
        " and a mean of ",
        mean(numbers, index),
        "; total days over total centimetres: ",
        number(numbers.row(index, "ratio_of_totals")),
        ". ",
        _missing(numbers, index, "mean"),
        "With waiting cases kept, the median was ",
        quartiles(numbers, "healing_index_censored_days_per_cm", OF_TIMES),
        ". ",
        _groups_of_numbers(numbers, index, "median", "Median healing index"),
    )
    second = joined(
        _median(numbers, "maturation_index_days_per_cm"),
        _median(numbers, "external_fixation_index_days_per_cm"),
    )
    return [Paragraph(_trimmed(first)), Paragraph(_trimmed(second))]


def weight_bearing(numbers: Numbers, pointers: Pointers) -> list[Paragraph]:
    """Time to full weight bearing by walking episode, and what other ways of looking give."""
    days = numbers.run.cohort.settings.waiting_days
    waiting = [
        joined(
            f"at {day} days ",
            number(numbers.row(WALKING, "not_reached_at", about=f"at {day} days")),
        )
        for day in days
    ]
    reached = [
        joined(
            f"by {day} days ",
            number(
                numbers.row(
                    "incidence_of_full_weight_bearing", "reached_by", about=f"by {day} days"
                )
            ),
        )
        for day in days
    ]
    first = joined(
        _time(numbers, WALKING, "Median time to full weight bearing"),
        pointers.see("series_outcomes", "time_to_full_weight_bearing", "series_outcomes_walking"),
        ". Still waiting: ",
        listed(waiting),
        ". ",
        _groups_of_numbers(numbers, WALKING, "median_time", "Median time"),
    )
    second = joined(
        "With death and amputation as competing events, full weight bearing had been reached ",
        listed(reached),
        ". Taken as known only to lie between two visits, its median time was ",
        number(numbers.row(f"{WALKING}_interval", "median_time")),
        ". ",
        _variants(numbers),
    )
    return [Paragraph(_trimmed(first)), Paragraph(_trimmed(second))]


def _variants(numbers: Numbers) -> Pieces:
    parts = []
    for variant in numbers.groups(WALKING, "sensitivity"):
        row = numbers.row(WALKING, "median_time", group_by="sensitivity", group=variant)
        if variant != "main" and row is not None:
            parts.append(joined(f"{variant.replace('_', ' ')} ", number(row)))
    return joined("Median time under other definitions: ", listed(parts), ".") if parts else []


def knee(numbers: Numbers, pointers: Pointers) -> list[Paragraph]:
    """Knee flexion kept, limb by limb, and the time to regain it."""
    kept = "knee_flexion_retention_pct_by_limb"
    percent = 100 * numbers.run.cohort.settings.recovery_share
    pieces = joined(
        "Limbs kept a median of ",
        quartiles(numbers, kept, OF_CASES),
        " of the knee flexion before surgery",
        pointers.see("series_outcomes", "knee", "series_outcomes_knee"),
        ". ",
        _missing(numbers, kept, "median"),
        _time(numbers, "time_to_knee_recovery", f"Median time to {percent:g}% of it"),
        ".",
    )
    return [Paragraph(_trimmed(pieces))]


def complications(numbers: Numbers, pointers: Pointers) -> list[Paragraph]:
    """Events, cases and patients with events, rates, and operations that were not planned."""
    per_case = numbers.row("complications_per_100_cases", "rate")
    events = "" if per_case is None else str(per_case["note"]).split("; ")[0]
    first = joined(
        f"There were {events}: ",
        number(per_case),
        ", or ",
        number(numbers.row("complications_per_100_case_months", "rate")),
        pointers.see("series_complications", "series_complication_rates", "complications"),
        ". A complication was seen in ",
        share(numbers.row("cases_with_complication", "proportion"), "cases"),
        " and in ",
        share(numbers.row("patients_with_complication", "proportion"), "patients"),
        "; an unplanned operation was needed in ",
        share(numbers.row("cases_with_unplanned_operation", "proportion"), "cases"),
        ". ",
        _groups_of_shares(numbers, "cases_with_complication"),
    )
    kinds = [
        joined(f"{lower_first(group_words('origin', group))} ", number_of(row))
        for group, row in _rates_by_origin(numbers)
    ]
    second = joined("Events per 100 cases by origin: ", listed(kinds), ".")
    return [Paragraph(_trimmed(first)), Paragraph(_trimmed(second))]


def _rates_by_origin(numbers: Numbers) -> list[tuple[str, pd.Series]]:
    """Every origin, without events too, but "not recorded" only where there are such events."""
    name = "complications_per_100_cases"
    found = []
    for group in numbers.groups(name, "origin"):
        row = numbers.row(name, "rate", group_by="origin", group=group)
        if row is not None and not (group == NOT_RECORDED and row["value"] == 0):
            found.append((group, row))
    return found


def _median(numbers: Numbers, measure: str) -> Pieces:
    """Sentences: title, median and quartiles, then what is missing and why."""
    return joined(
        f"{BY_NAME[measure].title}: median ",
        quartiles(numbers, measure, OF_CASES),
        ". ",
        _missing(numbers, measure, "median"),
    )


def _trimmed(pieces: Pieces) -> tuple[Piece, ...]:
    """The pieces without blanks at their end."""
    last = pieces[-1]
    return (*pieces[:-1], last.rstrip()) if isinstance(last, str) else tuple(pieces)


def _time(numbers: Numbers, measure: str, title: str) -> Pieces:
    row = numbers.row(measure, "median_time")
    reached = "" if row is None else _reached(str(row["note"]))
    return joined(f"{title}: ", quartiles(numbers, measure, OF_TIMES), reached)


def _reached(note: str) -> str:
    """`, 168 events among 195 walking episodes` as the row's note counts them."""
    found = [part for part in note.split("; ") if " events among " in part]
    return f", {found[0].replace(' (', ' ').replace(')', 's')}" if found else ""


def _missing(numbers: Numbers, measure: str, statistic: str) -> Pieces:
    row = numbers.row(measure, statistic)
    if row is None or int(row["missing"]) == 0:
        return []
    why = reasons(row)
    return joined(
        "It rests on ",
        keyed(row, "n"),
        " values; missing: ",
        keyed(row, "missing"),
        f"{f' ({why})' if why else ''}. ",
    )


def _groups_of_numbers(numbers: Numbers, measure: str, statistic: str, title: str) -> Pieces:
    rows = numbers.by_group(measure, statistic, numbers.series.plan.group_by)
    parts = [joined(f"{words} ", number_of(row)) for words, row in rows]
    unit = f", {rows[0][1]['unit']}" if rows else ""
    return joined(f"{title} by group{unit}: ", listed(parts), ".") if parts else []


def _groups_of_shares(numbers: Numbers, measure: str) -> Pieces:
    rows = numbers.by_group(measure, "proportion", numbers.series.plan.group_by)
    parts = [joined(f"{words} ", share(row)) for words, row in rows]
    return joined("By group: ", listed(parts), ". ") if parts else []
