"""The case-series paper as a whole: what is worked out once, shown cell by cell, and written."""

from __future__ import annotations

import dataclasses
import pathlib

import pandas as pd

from audit.document import FigureBlock, Heading, PaperDocument, Paragraph, TableBlock
from audit.intake.demo import demo_plan, demo_source
from audit.intake.published_values import read_published_values
from audit.intake.series_plan import read_series_plan
from audit.notebook_display import show_figure, show_text
from audit.pages.series import parts
from audit.pages.series.drawn import Drawn
from audit.pages.series.tables import series_figures, series_tables
from audit.pages.showing import show
from audit.prose import case_series_document
from audit.published import compare_published
from audit.release.paper.journal_figures import figure_block
from audit.release.paper.numbering import Numbers, numbers_of, plain
from audit.release.paper.series_files import printed_frame, save_frames, save_series
from audit.release.run_files import save_run
from audit.run import Options, run_audit
from audit.series.case_series import CaseSeries
from audit.series.complications import complication_results
from audit.series.outcomes import outcome_results
from audit.series.selection import case_series
from audit.series.sensitivity import sensitivity_results
from audit.tables.manuscript import FITTING, own_numbers, own_numbers_table
from audit.tables.shown import ShownTable


@dataclasses.dataclass(frozen=True, eq=False)
class Paper:
    """A series with everything that its paper shows. tables and figures by name, in the order in
    which they were made; sensitivity and published: the results behind two of them."""

    series: CaseSeries
    document: PaperDocument
    tables: dict[str, ShownTable]
    figures: dict[str, Drawn]
    sensitivity: pd.DataFrame
    published: pd.DataFrame


def start(
    source: str | pathlib.Path | None = None,
    *,
    plan: str | pathlib.Path | None = None,
    quarter: str | None = None,
    cutoff: str | None = None,
    centre: str | None = None,
    standards: str | pathlib.Path | None = None,
) -> CaseSeries:
    """The series that a plan selects from a source (None: the demo data, with the demo's plan).

    plan: a TOML file; None on a source of one's own: the kit's plan, which selects every case and
    leaves the study fields to be filled in. Raises UnusableInput for what the person must mend.
    """
    if source is None and plan is None:
        plan = demo_plan()
    found = read_series_plan(plan)
    run = run_audit(
        demo_source() if source is None else source,
        quarter=quarter,
        cutoff=cutoff,
        centre=centre,
        options=Options(standards=standards),
    )
    return case_series(run, found)


def paper(series: CaseSeries, *, published: str | pathlib.Path | None = None) -> Paper:
    """Every table, figure and text of the paper of a series.

    published: the department's own file of published values, else the kit's.
    """
    sensitivity = sensitivity_results(series)
    values = read_published_values(published).values
    beside = compare_published(series, values)
    tables = (
        *parts.flow_tables(series),
        *series_tables(series),
        *parts.sensitivity_tables(series, sensitivity),
        *parts.published_tables(series, beside),
    )
    figures = (
        parts.flow_figure(series),
        *series_figures(series),
        *parts.sensitivity_figures(sensitivity),
        *parts.published_figures(beside),
    )
    blocks = [
        figure_block(one.figure, name=one.name, caption=one.caption, alt=one.alt) for one in figures
    ]
    document = case_series_document(series, tables, blocks, analyses=(sensitivity,))
    held = [block.table for block in document.blocks if isinstance(block, TableBlock)]
    return Paper(
        series=series,
        document=document,
        tables={table.name: table for table in held},
        figures={one.name: one for one in figures},
        sensitivity=sensitivity,
        published=beside,
    )


def show_section(made: Paper, heading: str) -> None:
    """What stands under a heading of the paper: texts, tables and figures, in its order; under a
    main heading also what stands under the smaller ones. ValueError names the headings."""
    numbers = numbers_of(made.document)
    inside, level, known = False, 1, []
    words: list[str] = []
    for block in made.document.blocks:
        if isinstance(block, Heading):
            known.append(block.text)
            if block.text == heading:
                inside, level = True, block.level
                continue
            inside = inside and block.level > level
        if inside:
            words = _show_block(made, block, numbers, words)
    _say(words)
    if heading not in known:
        raise ValueError(f"heading must be one of {', '.join(known)}; got {heading!r}")


def _show_block(made: Paper, block: object, numbers: Numbers, words: list[str]) -> list[str]:
    """Show a table or figure, after the texts before it; keep a text for later."""
    if isinstance(block, Heading):
        return [*words, f"{'#' * (block.level + 2)} {block.text}"]
    if isinstance(block, Paragraph):
        text = plain(block.text, numbers)
        return [*words, f"*For the author: {text}*" if block.note else text]
    _say(words)
    if isinstance(block, TableBlock):
        table = block.table
        where = f"{numbers.label(table.name)} of the paper"
        show(
            dataclasses.replace(
                table,
                frame=printed_frame(table, numbers),
                caption=f"{plain(table.caption, numbers)} ({where})",
                notes=tuple(plain(note, numbers) for note in table.notes),
            )
        )
    if isinstance(block, FigureBlock):
        drawn = made.figures[block.name]
        where = f"{numbers.label(block.name)} of the paper"
        show_figure(
            drawn.figure, name=drawn.name, caption=f"{drawn.caption} ({where})", alt=drawn.alt
        )
    return []


def _say(words: list[str]) -> None:
    if words:
        show_text("\n\n".join(words))


def show_own_numbers(made: Paper) -> None:
    """The paper's own tables under the number check."""
    show(own_numbers_table(tuple(made.tables.values())))


def numbers_agree(made: Paper) -> bool:
    """True when the number check of the paper's own tables leaves nothing to mend."""
    found = own_numbers(tuple(made.tables.values()))
    return bool(found["verdict"].isin(FITTING).all())


def save(made: Paper, out: str | None) -> None:
    """Write the paper and the files of its run into `out`; nothing when it is None."""
    if out is None:
        return
    series = made.series
    save_run(series.run, out)
    frames = {
        "series_flow.csv": series.flow,
        "series_left_out.csv": series.left_out,
        "series_outcomes.csv": outcome_results(series),
        "series_complications.csv": complication_results(series),
        "sensitivity.csv": made.sensitivity,
        "published_beside.csv": made.published,
    }
    save_frames(frames, out)
    figures = {name: drawn.figure for name, drawn in made.figures.items()}
    save_series(made.document, figures, out, dated=series.run.cohort.cutoff.date())
