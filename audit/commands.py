"""The command line: reads what was typed, calls the kit, says what to do next."""

from __future__ import annotations

import argparse
import pathlib
import sys
from collections.abc import Sequence

from audit.errors import UnusableInput

DONE, ASKED, REFUSED = 0, 1, 2
SOURCE_HELP = "a folder of CSV files, an .xlsx workbook, a database URL, or env:NAME"
#: the reports of the demo; the last one writes the files of the run
DEMO_KINDS = ("quality", "series", "quarterly")
CAUTION = (
    "Service evaluation for a department; never advice for one patient. Local codes and licensed "
    "practice decide."
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command. Returns 0 done, 1 done with data queries, 2 refused (one clear message)."""
    parser = _parser()
    given = parser.parse_args(arguments)
    if given.command is None:
        parser.print_help()
        return REFUSED
    try:
        return given.run(given)
    except UnusableInput as problem:
        _tell(f"Refused: {problem}")
        return REFUSED
    except KeyboardInterrupt:
        _tell("Stopped. Nothing was left half-written.")
        return 130


def _tell(words: str) -> None:
    print(words, file=sys.stderr, flush=True)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="lengthening-audit",
        description="Clinical audit of limb lengthening: case tables in, evidence out.",
        epilog=CAUTION,
    )
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")
    demo = commands.add_parser("demo", help="the main job on the demo data: reports into OUT")
    demo.add_argument("out", metavar="OUT", type=pathlib.Path)
    _replace(demo)
    demo.set_defaults(run=_demo)

    check = commands.add_parser("check", help="validate a source: exit 0 clean, 1 data queries")
    check.add_argument("source", metavar="SOURCE", help=SOURCE_HELP)
    check.add_argument("--out", metavar="DIR", type=pathlib.Path, help="write the queries here")
    check.add_argument("--cutoff", metavar="DAY", help="last day used, as 2026-09-30")
    _replace(check)
    check.set_defaults(run=_check)

    blank = commands.add_parser(
        "blank", help="an empty entry workbook with code lists, hints and checks in the cells"
    )
    blank.add_argument("file", metavar="FILE.xlsx", type=pathlib.Path)
    blank.set_defaults(run=_blank)

    measure = commands.add_parser("measure", help="results as files, without a notebook")
    measure.add_argument("source", metavar="SOURCE", help=SOURCE_HELP)
    measure.add_argument("out", metavar="OUT", type=pathlib.Path)
    _period(measure)
    _replace(measure)
    measure.set_defaults(run=_measure)

    report = commands.add_parser("report", help="run a notebook on a source and gather its output")
    report.add_argument(
        "kind",
        metavar="KIND",
        choices=("quarterly", "quality", "series"),
        help="quarterly, quality or series (a case-series paper)",
    )
    report.add_argument("source", metavar="SOURCE", help=SOURCE_HELP)
    report.add_argument("out", metavar="OUT", type=pathlib.Path)
    _period(report)
    report.add_argument("--standards", metavar="FILE", help="your own register of criteria (TOML)")
    report.add_argument(
        "--compare", metavar="FOLDER", help="earlier quarters: a run folder, or a folder of them"
    )
    report.add_argument(
        "--plan", metavar="FILE", help="series: who is in, what is compared, the study (TOML)"
    )
    report.add_argument(
        "--published", metavar="FILE", help="series: your own file of published values (CSV)"
    )
    report.add_argument(
        "--claims", metavar="FILE", help="series: numbers of a manuscript to be checked (CSV)"
    )
    _replace(report)
    report.set_defaults(run=_report)
    return parser


def _period(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--quarter", metavar="Q", help="calendar quarter, as 2026Q3")
    parser.add_argument("--cutoff", metavar="DAY", help="last day used, as 2026-09-30")
    parser.add_argument("--centre", metavar="X", help="only the cases of one centre")


def _replace(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--replace", action="store_true", help="replace the output of an earlier run"
    )


def _demo(given: argparse.Namespace) -> int:
    from audit.intake.demo import demo_plan, demo_source
    from audit.report import Request, make_report

    request = Request(quarter="2026Q3", plan=str(demo_plan()))
    asked = make_report(
        DEMO_KINDS, demo_source(), given.out, request=request, replace=given.replace, tell=_tell
    )
    _tell(f"{asked} data queries in the demo data: see {given.out / 'queries.csv'}.")
    _where_to_look("quarterly", given.out)
    _tell(f"How good the data are: {given.out / 'data_quality.html'}.")
    _tell(f"The case-series paper: {given.out / 'case_series' / 'case_series.docx'}.")
    return DONE


def _report(given: argparse.Namespace) -> int:
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
    )
    asked = make_report(
        given.kind, given.source, given.out, request=request, replace=given.replace, tell=_tell
    )
    _where_to_look(given.kind, given.out)
    return _ending(asked, given.out / "queries.csv")


def _where_to_look(kind: str, out: pathlib.Path) -> None:
    if kind == "quality":
        _tell(f"Open {out / 'data_quality.html'} in a browser; its tables are in CSV files too.")
    elif kind == "series":
        _tell(f"Open {out / 'case_series.docx'} and write what it asks for; the same, section by")
        _tell(f"section, is {out / 'case_series.html'}; figures and tables stand beside.")
    else:
        _tell(f"Open {out / 'quarterly_audit.html'} in a browser; the numbers are in results.csv.")


def _measure(given: argparse.Namespace) -> int:
    from audit.release.folder import refuse_occupied, staged_folder
    from audit.release.run_files import save_run
    from audit.run import Options, run_audit

    refuse_occupied(given.out, replace=given.replace)
    run = run_audit(
        given.source,
        quarter=given.quarter,
        cutoff=given.cutoff,
        centre=given.centre,
        options=Options(tell=_tell),
    )
    with staged_folder(given.out, replace=given.replace) as stage:
        save_run(run, stage)
    _tell(f"Open {given.out / 'results.csv'}: {len(run.results)} estimates, one a row.")
    return _ending(len(run.cohort.queries), given.out / "queries.csv")


def _check(given: argparse.Namespace) -> int:
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
    return _ending(len(checked.cohort.queries), where)


def _blank(given: argparse.Namespace) -> int:
    from audit.release.entry.workbook import save_blank

    save_blank(given.file)
    _tell(f"{given.file} is ready. Open it and begin with the sheet 'Read me'.")
    typed = f'"{given.file}"' if " " in str(given.file) else str(given.file)
    _tell(f"When it is filled in: lengthening-audit check {typed} --out asked")
    return DONE


def _ending(asked: int, where: object) -> int:
    if asked == 0:
        _tell("No data queries.")
        return DONE
    _tell(f"{asked} data {'query' if asked == 1 else 'queries'}: see {where}.")
    return ASKED
