"""The commands that read a source: demo, check, blank, measure, report."""

from __future__ import annotations

import argparse
import pathlib

from audit.commands.words import DONE, ending, tell

#: the reports of the demo; the last one writes the files of the run
DEMO_KINDS = ("quality", "series", "tables", "quarterly")


def demo(given: argparse.Namespace) -> int:
    from audit.intake.demo import demo_plan, demo_source
    from audit.report import Request, make_report

    request = Request(quarter="2026Q3", plan=str(demo_plan()))
    asked = make_report(
        DEMO_KINDS, demo_source(), given.out, request=request, replace=given.replace, tell=tell
    )
    tell(f"{asked} data queries in the demo data: see {given.out / 'queries.csv'}.")
    _where_to_look("quarterly", given.out)
    tell(f"How good the data are: {given.out / 'data_quality.html'}.")
    tell(f"The case-series paper: {given.out / 'case_series' / 'case_series.docx'}.")
    tell(f"Tables that identify nobody: {given.out / 'summary_tables.html'}.")
    return DONE


def report(given: argparse.Namespace) -> int:
    from audit.report import Request, make_report

    request = Request(
        quarter=given.quarter,
        cutoff=given.cutoff,
        centre=given.centre,
        standards=given.standards,
        compare=given.compare,
        plan=given.plan,
        published=given.published,
        claims=given.claims,
        rules=given.rules,
        previous=given.previous,
        contact=given.contact,
    )
    asked = make_report(
        given.kind, given.source, given.out, request=request, replace=given.replace, tell=tell
    )
    _where_to_look(given.kind, given.out)
    return ending(asked, given.out / "queries.csv")


def _where_to_look(kind: str, out: pathlib.Path) -> None:
    if kind == "quality":
        tell(f"Open {out / 'data_quality.html'} in a browser; its tables are in CSV files too.")
    elif kind == "series":
        tell(f"Open {out / 'case_series.docx'} and write what it asks for; the same, section by")
        tell(f"section, is {out / 'case_series.html'}; figures and tables stand beside.")
    elif kind == "tables":
        tell(f"Open {out / 'summary_tables.html'}. Only the folder external may leave, once two")
        tell(f"checkers have signed: lengthening-audit verify {out}")
    else:
        tell(f"Open {out / 'quarterly_audit.html'} in a browser; the numbers are in results.csv.")


def measure(given: argparse.Namespace) -> int:
    from audit.release.folder import refuse_occupied, staged_folder
    from audit.release.run_files import save_run
    from audit.run import Options, run_audit

    refuse_occupied(given.out, replace=given.replace)
    run = run_audit(
        given.source,
        quarter=given.quarter,
        cutoff=given.cutoff,
        centre=given.centre,
        options=Options(tell=tell),
    )
    with staged_folder(given.out, replace=given.replace) as stage:
        save_run(run, stage)
    tell(f"Open {given.out / 'results.csv'}: {len(run.results)} estimates, one a row.")
    return ending(len(run.cohort.queries), given.out / "queries.csv")


def check(given: argparse.Namespace) -> int:
    from audit.checking import check_source, summary_lines
    from audit.release.folder import refuse_occupied, staged_folder
    from audit.release.run_files import save_check

    if given.out is not None:
        refuse_occupied(given.out, replace=given.replace)
    checked = check_source(given.source, given.cutoff)
    for line in summary_lines(checked.cohort):
        print(line)
    if given.out is not None:
        with staged_folder(given.out, replace=given.replace) as stage:
            save_check(checked, stage)
        where = f"{given.out / 'queries.xlsx'}, and queries.csv beside it"
    else:
        where = "the list with: lengthening-audit check SOURCE --out DIR"
    return ending(len(checked.cohort.queries), where)


def blank(given: argparse.Namespace) -> int:
    from audit.release.entry.workbook import save_blank

    save_blank(given.file)
    tell(f"{given.file} is ready. Open it and begin with the sheet 'Read me'.")
    typed = f'"{given.file}"' if " " in str(given.file) else str(given.file)
    tell(f"When it is filled in: lengthening-audit check {typed} --out asked")
    return DONE
