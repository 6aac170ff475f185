"""How long, how completely and until when the cases of a series were followed.

Sources: median by the reverse Kaplan-Meier curve (Schemper & Smith 1996, Control Clin Trials
17:343-346); completeness as observed over potential person-time (Clark, Altman & De Stavola 2002,
Lancet 359:1309-1310, DOI 10.1016/S0140-6736(02)08272-7).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator

import pandas as pd

from audit.cohort import Cohort
from audit.estimates.clustered_survival import clustered_survival_curve
from audit.estimates.clusters import clustered_proportion, clustered_ratio_of_totals
from audit.estimates.estimate import Estimate
from audit.measures.common import days_between
from audit.results.groups import ALL, Slice, Window, slices
from audit.results.rows import result_frame, result_row
from audit.series.case_series import CaseSeries
from audit.series.due import due_table
from audit.series.watched import CASE, TIMES_WATCHED, UNIT_WORDS, watched

MEDIAN, COMPLETENESS, FOLLOWED = "follow_up_days", "follow_up_completeness_pct", "followed_for"
#: what a case is followed to, as the end of the names of measures: name -> words
TARGETS: dict[str, str] = {
    CASE: "the end of treatment",
    **{name: words for name, (words, _) in TIMES_WATCHED.items()},
}


@dataclasses.dataclass(frozen=True)
class Period:
    """The days a series speaks of. first and last surgery; last_follow_up: the latest day on which
    a case was seen; cutoff: the last day of which anything is used."""

    first_surgery: pd.Timestamp
    last_surgery: pd.Timestamp
    last_follow_up: pd.Timestamp
    cutoff: pd.Timestamp


def period_of(series: CaseSeries) -> Period:
    """The days of a series; a series holds one case at least."""
    cases = series.cases
    return Period(
        cases["surgery_date"].min(),
        cases["surgery_date"].max(),
        cases["follow_up_end"].max(),
        series.run.cohort.cutoff,
    )


def follow_up_results(series: CaseSeries) -> pd.DataFrame:
    """Follow-up as rows of results.csv, window `all`, for all and by the plan's `group_by`.

    measure `follow_up_days_<target>`: median_time, q1_time, q3_time; `follow_up_completeness_pct_
    <target>`: ratio_of_totals_clustered; targets: `TARGETS`, by case but for full weight bearing,
    which has a row a walking episode. measure `followed_for`: proportion_clustered, a row a day of
    the settings' waiting days and a row a measure that the register gives time to mature; the note
    opens with which. Intervals are taken over patients.
    """
    cohort = series.run.cohort
    groupings: tuple[tuple[str, ...], ...] = ((), tuple(series.plan.group_by.split("+")))
    rows: list[dict[str, object]] = []
    for target in TARGETS:
        for part in slices(watched(cohort, target), (Window(ALL),), groupings):
            rows += _watched_rows(target, part, cohort)
    criteria = () if series.run.register is None else series.run.register.criteria
    for due in due_table(cohort, criteria):
        for part in slices(due.rows, (Window(ALL),), groupings):
            rows.append(_due_row(due.words, part, cohort))
    return result_frame(rows)


def _watched_rows(target: str, part: Slice, cohort: Cohort) -> Iterator[dict[str, object]]:
    level, rows = cohort.settings.level, part.rows
    usable = rows.loc[rows["reason"].isna()]
    lost = len(rows) - len(usable)
    curve = clustered_survival_curve(
        usable["to_end"].to_numpy(dtype=float),
        (~usable["ended"]).to_numpy(dtype=bool),
        usable["patient_id"].to_numpy(),
        level=level,
        missing=lost,
    )
    until = "the last visit" if target == CASE else f"{TARGETS[target]}, else the last day without"
    words = f"followed to {until}, {UNIT_WORDS[target]}"
    for statistic, q in (("median_time", 0.5), ("q1_time", 0.25), ("q3_time", 0.75)):
        found = curve.quantile(q) if q != 0.5 else curve.median()
        found = dataclasses.replace(
            found,
            method=f"reverse {found.method}",
            note=found.note.replace("still waiting", "still followed"),
        )
        yield result_row(f"{MEDIAN}_{target}", statistic, part, found, note=words)
    yield result_row(
        f"{COMPLETENESS}_{target}",
        "ratio_of_totals_clustered",
        part,
        _complete(usable, lost, level),
    )


def _complete(usable: pd.DataFrame, lost: int, level: float) -> Estimate:
    """Days watched of the days possible, per cent, kept at or below 100."""
    watched_days, possible = usable["watched"], usable["possible"]
    found = clustered_ratio_of_totals(
        100.0 * watched_days, possible, usable["patient_id"], level=level, unit="%"
    )
    words = f"{watched_days.sum():.0f} of {possible.sum():.0f} days"
    if found.high is not None and found.high > 100:
        found = dataclasses.replace(found, high=100.0)
        words += "; upper limit kept at 100"
    note = "; ".join(x for x in (words, found.note) if x)
    return dataclasses.replace(found, missing=found.missing + lost, note=note)


def _due_row(words: str, part: Slice, cohort: Cohort) -> dict[str, object]:
    due = part.rows.loc[part.rows["due"]]
    found = clustered_proportion(
        due["followed"].astype(object), due["patient_id"], level=cohort.settings.level, unit="share"
    )
    if found.value is None:
        found = dataclasses.replace(found, note="no case was operated long enough ago")
    early = len(part.rows) - len(due)
    about = f"{words}; not yet possible: {early}"
    return result_row(FOLLOWED, "proportion_clustered", part, found, note=about)


def last_seen(series: CaseSeries) -> pd.DataFrame:
    """Cases by what had become of them at the cut-off, and how many had not been seen for long.

    Columns: outcome_status, cases, limbs, patients, unseen: cases whose follow-up ended more than
    `contact_days` (`audit.quality.choices`) before the cut-off. A status that nobody has is left
    out; the order is that of the code list. Cases add up; limbs and patients need not.
    """
    from audit.quality.choices import DEFAULTS
    from audit.series.units import counts_of, limb_of
    from schemas import vocabulary

    cohort = series.run.cohort
    cases = cohort.cases.assign(
        limb=limb_of(cohort.cases, gap_days=cohort.settings.episode_gap_days)
    )
    unseen = days_between(pd.Series(cohort.cutoff, cases.index), cases["follow_up_end"])
    lines = []
    for status in vocabulary.codes("outcome_status"):
        part = cases.loc[cases["outcome_status"] == status]
        if part.empty:
            continue
        line = {"outcome_status": status, **dataclasses.asdict(counts_of(part))}
        lines.append(line | {"unseen": int((unseen.loc[part.index] > DEFAULTS.contact_days).sum())})
    return pd.DataFrame(lines, columns=["outcome_status", "cases", "limbs", "patients", "unseen"])
