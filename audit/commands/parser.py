"""What can be typed."""

from __future__ import annotations

import argparse
import pathlib

from audit.commands import releases, reports

SOURCE_HELP = "a folder of CSV files, an .xlsx workbook, a database URL, or env:NAME"
CAUTION = (
    "Service evaluation for a department; never advice for one patient. Local codes and licensed "
    "practice decide."
)


def command_line() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="lengthening-audit",
        description="Clinical audit of limb lengthening: case tables in, evidence out.",
        epilog=CAUTION,
    )
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")
    _data_commands(commands)
    _report_command(commands)
    _release_commands(commands)
    return parser


def _data_commands(commands: argparse._SubParsersAction) -> None:
    """The demo, and what is done with a source short of a report."""
    demo = commands.add_parser("demo", help="the main job on the demo data: reports into OUT")
    demo.add_argument("out", metavar="OUT", type=pathlib.Path)
    _replace(demo)
    demo.set_defaults(run=reports.demo)

    check = commands.add_parser("check", help="validate a source: exit 0 clean, 1 data queries")
    check.add_argument("source", metavar="SOURCE", help=SOURCE_HELP)
    check.add_argument("--out", metavar="DIR", type=pathlib.Path, help="write the queries here")
    check.add_argument("--cutoff", metavar="DAY", help="last day used, as 2026-09-30")
    _replace(check)
    check.set_defaults(run=reports.check)

    blank = commands.add_parser(
        "blank", help="an empty entry workbook with code lists, hints and checks in the cells"
    )
    blank.add_argument("file", metavar="FILE.xlsx", type=pathlib.Path)
    blank.set_defaults(run=reports.blank)

    measure = commands.add_parser("measure", help="results as files, without a notebook")
    measure.add_argument("source", metavar="SOURCE", help=SOURCE_HELP)
    measure.add_argument("out", metavar="OUT", type=pathlib.Path)
    _period(measure)
    _replace(measure)
    measure.set_defaults(run=reports.measure)


def _report_command(commands: argparse._SubParsersAction) -> None:
    report = commands.add_parser("report", help="run a notebook on a source and gather its output")
    report.add_argument(
        "kind",
        metavar="KIND",
        choices=("quarterly", "quality", "series", "tables"),
        help="quarterly, quality, series (a case-series paper) or tables (that identify nobody)",
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
    report.add_argument(
        "--rules", metavar="FILE", help="tables: settings of disclosure control (TOML)"
    )
    report.add_argument(
        "--previous", metavar="FOLDER", help="tables: output of the release before this one"
    )
    report.add_argument(
        "--contact", metavar="WORDS", help="tables: a post or shared address for the cover"
    )
    _replace(report)
    report.set_defaults(run=reports.report)


def _release_commands(commands: argparse._SubParsersAction) -> None:
    """What is done with releases: checking a signed one, and pooling several centres."""
    verify = commands.add_parser(
        "verify", help="is a release complete, unchanged and signed by two? exit 0 yes, 2 no"
    )
    verify.add_argument("folder", metavar="FOLDER", type=pathlib.Path)
    verify.set_defaults(run=releases.verify)

    sums = commands.add_parser(
        "aggregate", help="one centre's counts and sums, without a patient's row, for pooling"
    )
    sums.add_argument("source", metavar="SOURCE", help=SOURCE_HELP)
    sums.add_argument("out", metavar="OUT", type=pathlib.Path)
    _period(sums)
    sums.add_argument(
        "--external", action="store_true", help="only what controlled tables tell, as ranges"
    )
    sums.add_argument("--rules", metavar="FILE", help="settings of disclosure control (TOML)")
    sums.set_defaults(run=releases.aggregate)

    pool = commands.add_parser("pool", help="aggregates of several centres as one results.csv")
    pool.add_argument("out", metavar="OUT", type=pathlib.Path)
    pool.add_argument("folders", metavar="FOLDER", type=pathlib.Path, nargs="+")
    _replace(pool)
    pool.set_defaults(run=releases.pool)


def _period(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--quarter", metavar="Q", help="calendar quarter, as 2026Q3")
    parser.add_argument("--cutoff", metavar="DAY", help="last day used, as 2026-09-30")
    parser.add_argument("--centre", metavar="X", help="only the cases of one centre")


def _replace(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--replace", action="store_true", help="replace the output of an earlier run"
    )
