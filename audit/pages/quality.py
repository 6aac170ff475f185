"""The data-quality notebook, cell by cell."""

from __future__ import annotations

import dataclasses
import pathlib

import pandas as pd

from audit import figures
from audit.cohort import Cohort, build_cohort
from audit.intake import read_source, source_name
from audit.intake.demo import demo_source
from audit.intake.register import Register, read_register
from audit.measures import measure_cases
from audit.notebook_display import show_figure, show_text
from audit.pages.showing import show
from audit.periods import last_complete_quarter, last_day, parse_day, parse_quarter
from audit.quality import DataQuality, data_quality
from audit.release.quality_files import save_quality
from audit.standards import judge_standards
from audit.tables import quality as tables
from audit.tables import quality_detail as detail
from audit.tables import quality_fitness as fitness

TREND = "Data quality by quarter of surgery"


@dataclasses.dataclass(frozen=True, eq=False)
class QualityRun:
    """What the notebook shows. standards: criteria with the fitness of their data; parameters:
    what was asked for (no path, only names)."""

    cohort: Cohort
    quality: DataQuality
    standards: pd.DataFrame
    quarter: pd.Period
    parameters: dict[str, object]
    register: Register


def start(
    source: str | None,
    *,
    quarter: str | None,
    cutoff: str | None,
    centre: str | None,
    standards: str | None = None,
) -> QualityRun:
    """Read and judge a source (None: the demo data); nothing is estimated but what is shown here.

    quarter: the last one of the trend and of the criteria's windows; the other settings as in the
    quarterly audit. Raises UnusableInput for what the person at the keyboard must mend.
    """
    home: str | pathlib.Path = demo_source() if source is None else source
    asked = None if quarter is None else parse_quarter(quarter)
    day = None if cutoff is None else parse_day(cutoff, option="--cutoff")
    if day is None and asked is not None:
        day = last_day(asked)
    register = read_register(standards)
    cohort = build_cohort(read_source(home), day, centre=centre)
    chosen = asked if asked is not None else last_complete_quarter(cohort.cutoff)
    measured = measure_cases(cohort)
    return QualityRun(
        cohort=cohort,
        quality=data_quality(cohort, measured, quarter=chosen),
        standards=judge_standards(cohort, measured, register.criteria, chosen),
        quarter=chosen,
        parameters={
            "report": "quality",
            "source": source_name(home),
            "quarter": str(chosen),
            "cutoff": cohort.cutoff.date().isoformat(),
            "centre": centre,
            "standards": None if standards is None else pathlib.Path(standards).name,
        },
        register=register,
    )


def show_rows(run: QualityRun) -> None:
    """Rows read, used and set aside, and why."""
    show(tables.rows_table(run.cohort, run.quality))
    if run.quality.kept_out.empty:
        show_text("No row was kept out.")
    else:
        show(tables.kept_out_table(run.quality))


def show_dimensions(run: QualityRun) -> None:
    """The six dimensions and case ascertainment at a glance."""
    show(tables.dimension_table(run.quality))


def show_completeness(run: QualityRun) -> None:
    """Key sets, items that can be expected by now, optional columns."""
    show(tables.key_set_table(run.quality))
    show(tables.completeness_table(run.quality))
    show(detail.optional_table(run.quality))


def show_validity(run: QualityRun) -> None:
    """Four counts a column."""
    show(tables.validity_table(run.quality))


def show_consistency(run: QualityRun) -> None:
    """Cases with questions, and the rules between cells that are broken."""
    show(detail.cases_asked_table(run.quality))
    show(detail.rule_table(run.quality, dimension="consistency"))


def show_uniqueness(run: QualityRun) -> None:
    """Double entries."""
    show(detail.uniqueness_table(run.quality))


def show_timeliness(run: QualityRun) -> None:
    """Age of the extract, contacts, cases not seen of late."""
    show(detail.newest_table(run.cohort, run.quality))
    show(detail.contact_table(run.quality))
    if len(run.quality.stale):
        show(detail.stale_table(run.quality))


def show_ascertainment(run: QualityRun) -> None:
    """Cases in the audit against the theatre list."""
    show(detail.ascertainment_table(run.quality))


def show_trend(run: QualityRun) -> None:
    """Completeness and errors by quarter of surgery: figure, then table."""
    trend = run.quality.trend
    show_figure(
        figures.quality_over_time(trend, title=TREND),
        name="quality_over_time",
        caption="Cases complete in every key item that can be expected by now, and error queries "
        "per 100 cases, by quarter of surgery, with 95% intervals and the median.",
        alt=figures.quality_over_time_alt(trend, title=TREND),
    )
    show(detail.trend_table(run.quality))


def show_top_rules(run: QualityRun) -> None:
    """The rules most often broken: errors, then warnings."""
    show(detail.rule_table(run.quality))


def show_fitness(run: QualityRun) -> None:
    """Are the data fit to judge each criterion and each measure?"""
    show(fitness.criterion_fitness_table(run.standards))
    show(fitness.measure_fitness_table(run.quality))


def show_next(run: QualityRun) -> None:
    """Who answers what."""
    show(fitness.next_table(run.cohort, run.quality, run.standards))


def counts_add_up(run: QualityRun) -> bool:
    """True when every row read is accounted for, the counts of every item and column add up, and
    no share lies outside 0 to 1 or its interval."""
    quality = run.quality
    rows, items, cells = quality.rows, quality.completeness, quality.validity
    parts = rows[["used", "kept_out", "later", "other_centre"]].sum(axis=1)
    expected = items[["complete", "invalid", "missing"]].sum(axis=1)
    counted = cells[["valid", "default", "invalid", "missing"]].sum(axis=1)
    lacking = items["invalid"].sum() + items["missing"].sum()
    shares = [items, cells, quality.key_sets, quality.ascertainment, quality.fitness]
    held = [frame.loc[frame["value"].notna(), ["low", "value", "high"]] for frame in shares]
    values = pd.concat([frame for frame in held if len(frame)] or held[:1]).to_numpy(dtype=float)
    ordered = bool((values[:, :-1] <= values[:, 1:] + 1e-9).all() and (values >= 0).all())
    return bool(
        (parts == rows["read"]).all()
        and (expected == items["expected"]).all()
        and (counted == cells["rows"]).all()
        and lacking == len(quality.missing)
        and ordered
        and (values <= 1).all()
    )


def not_assessed_says_why(run: QualityRun) -> bool:
    """True when everything without a value says why, and accuracy is never claimed."""
    quality = run.quality
    frames = (quality.completeness, quality.key_sets, quality.ascertainment, quality.fitness)
    silent = [frame["value"].isna() & (frame["note"].str.len() == 0) for frame in frames]
    return not any(one.any() for one in silent) and quality.accuracy == "needs source check"


def result(run: QualityRun, item: str) -> pd.Series:
    """One line of the completeness table at full precision, to look at or to check."""
    table = run.quality.completeness
    return table.loc[table["item"] == item].iloc[0]


def save(run: QualityRun, out: str | None) -> None:
    """Write the files of the run into `out`; nothing when it is None."""
    quality = run.quality
    frames = {
        "quality_completeness": quality.completeness,
        "quality_missing": quality.missing,
        "quality_key_sets": quality.key_sets,
        "quality_validity": quality.validity,
        "quality_rules": quality.rules,
        "quality_uniqueness": quality.uniqueness,
        "quality_stale": quality.stale,
        "quality_ascertainment": quality.ascertainment,
        "quality_trend": quality.trend.points,
        "quality_fitness": quality.fitness,
        "standards": run.standards,
    }
    save_quality(run.cohort, frames, out, parameters=run.parameters, register=run.register)
