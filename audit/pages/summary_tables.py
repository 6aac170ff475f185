"""The notebook of summary tables, cell by cell."""

from __future__ import annotations

import dataclasses
import datetime
from collections.abc import Mapping

import pandas as pd

from audit.disclosure.attack import attack
from audit.disclosure.control import control
from audit.disclosure.controlled import LEVELS, ControlledTable
from audit.disclosure.curves import named_for_files
from audit.disclosure.flags import undecided
from audit.disclosure.over_time import compare_releases
from audit.disclosure.settings import ControlSettings
from audit.intake.control_settings import read_control_settings
from audit.notebook_display import show_cautions, show_text
from audit.pages.quarterly import start
from audit.pages.showing import show
from audit.release.earlier_release import read_release
from audit.release.run_files import save_run
from audit.release.summary.facts import ReleaseFacts, exception_words, setting_words
from audit.release.summary.summary_files import save_release
from audit.release.summary.verify import verify_release
from audit.run import AuditRun
from audit.summaries.build import summary_tables
from audit.summaries.facts import place_of
from audit.summaries.table import ALL, SummaryTable
from audit.tables import front, leaving
from audit.tables.release import release_flags, release_overview, release_shown
from audit.tables.shown import ShownTable

__all__ = [
    "Export",
    "counts_add_up",
    "nothing_is_given_away",
    "prepare",
    "save",
    "show_attack",
    "show_comparison",
    "show_coverage",
    "show_leaving",
    "show_overview",
    "show_rules",
    "show_tables",
    "show_verification",
    "start",
    "waiting_for_a_decision",
]

EXTERNAL = "external"
#: release level -> the periods that it holds, each a set of tables
PERIODS: dict[str, tuple[str, ...]] = {
    "internal": ("quarter", "year_to", "all"),
    "paper": ("all",),
    EXTERNAL: ("year_to",),
}
CAUTIONS = (
    "Only the folder external may leave the department, and only once two checkers have signed. "
    "Everything else in the output, this report included, stays inside.",
    "Disclosure control lowers the chance that somebody is recognised; it does not make it nil. "
    "Whoever signs thinks of what a determined outsider may know beside these tables.",
    "Duties differ by country; nothing here is legal advice.",
)


@dataclasses.dataclass(frozen=True, eq=False)
class Export:
    """A run with its exact tables by period, and what of them is released at each level.

    attacked: what an outsider can work out of the external tables. earlier, compared: the release
    before and the difference to it, None where none was given.
    """

    run: AuditRun
    settings: ControlSettings
    exact: Mapping[str, tuple[SummaryTable, ...]]
    released: Mapping[str, tuple[ControlledTable, ...]]
    attacked: pd.DataFrame
    compared: pd.DataFrame | None


def prepare(run: AuditRun, *, rules: str | None = None, previous: str | None = None) -> Export:
    """Every table of a run, controlled for every level, attacked and compared.

    rules: settings of disclosure control (TOML; None: the kit's own). previous: output folder of
    an earlier export. Raises UnusableInput for a file or folder that cannot be used.
    """
    settings = read_control_settings(rules)
    exact = {period: summary_tables(run, period=period) for period in PERIODS["internal"]}
    released = {
        level: tuple(
            one
            for period in PERIODS[level]
            for one in control(exact[period], settings, level=level)
        )
        for level in LEVELS
    }
    compared = None
    if previous is not None:
        earlier = read_release(previous, like=exact["year_to"])
        compared = compare_releases(earlier, released[EXTERNAL], settings)
    attacked = attack(released[EXTERNAL], settings)
    return Export(run, settings, exact, released, attacked, compared)


def show_coverage(export: Export) -> None:
    """Period, cut-off, patients, limbs, cases; then the cautions."""
    show(front.coverage_table(export.run))
    show_cautions(CAUTIONS)


def show_leaving(export: Export) -> None:
    """The allow-list, and what stays behind."""
    show(leaving.leaving_table(export.run))
    show(leaving.left_behind_table(export.run))


def show_rules(export: Export) -> None:
    """The rules of disclosure control."""
    show(leaving.rules_table(setting_words(export.settings), exception_words(export.settings)))


def show_overview(export: Export) -> None:
    """What control did to each external table, and what waits for a decision."""
    _show(release_overview(export.released[EXTERNAL]))
    _show(release_flags(export.released[EXTERNAL]))


def show_tables(export: Export, *names: str) -> None:
    """The external tables of these names (see the overview), as they would leave."""
    tables = {one.table.name: one for one in export.released[EXTERNAL]}
    for name in names:
        _show(release_shown(tables[name]))


def show_attack(export: Export) -> None:
    """What an outsider can work out of the external tables."""
    show(leaving.attack_table(export.attacked))


def show_comparison(export: Export) -> None:
    """What the difference to the earlier release says."""
    if export.compared is None:
        show_text(
            "Not compared: no earlier release was given. A first release has none; for every later "
            "one set `previous`."
        )
    else:
        show(leaving.comparison_table(export.compared))


def save(export: Export, out: str | None, *, contact: str, next_update: str | None = None) -> None:
    """Write the files of the run and the releases of all levels into `out`; nothing when None.

    contact: a post or shared address for the cover. next_update: None: after the next quarter.
    """
    if out is None:
        return
    save_run(export.run, out)
    for level in LEVELS:
        facts = _facts(export, level, contact, next_update)
        save_release(named_for_files(export.released[level]), out, level=level, facts=facts)


def show_verification(out: str | None) -> None:
    """What keeps the written releases from leaving; until two checkers have signed, that."""
    if out is None:
        show_text(
            "Nothing was written: set `out` to a folder. Then two checkers fill in "
            "`sign-off-external.toml`, and the release may leave once nothing is listed here."
        )
        return
    problems = [one for one in verify_release(out) if one.startswith(EXTERNAL)]
    words = "\n".join(f"- {problem}" for problem in problems) or "- nothing"
    show_text(f"What keeps the external release from leaving:\n\n{words}")


def nothing_is_given_away(export: Export) -> bool:
    """True when the attack left every hidden number protected, and no difference to an earlier
    release of the same period tells of few people.

    Where the period moved on, people have left as well as come, and a small difference is no
    person: it is shown and written into the release for the checkers to weigh.
    """
    told = 0 if export.compared is None else leaving.of_one_period(export.compared).sum()
    return bool(export.attacked["protected"].all()) and not told


def counts_add_up(export: Export) -> bool:
    """True when the exact counts of every table sum to those over all categories."""
    return all(_adds_up(table) for tables in export.exact.values() for table in tables)


def waiting_for_a_decision(export: Export) -> tuple[str, ...]:
    """The cells of the external tables that tell of a whole group, without a recorded decision."""
    return undecided(export.released[EXTERNAL])


def _adds_up(table: SummaryTable) -> bool:
    counts = table.frame.loc[table.frame["statistic"] == "count"]
    for name in table.additive:
        others = [other for other in table.dimensions if other not in (name, *table.tied)]
        rest = counts[others].apply("|".join, axis=1) if others else pd.Series("", counts.index)
        whole = counts[name] == ALL
        sums = counts["value"][~whole].groupby(rest[~whole]).sum(min_count=1)
        wholes = counts["value"][whole].groupby(rest[whole]).sum(min_count=1)
        if not sums.reindex(wholes.index).equals(wholes):
            return False
    return True


def _facts(export: Export, level: str, contact: str, next_update: str | None) -> ReleaseFacts:
    run, tables = export.run, export.released[level]
    after = run.quarter + 1
    return ReleaseFacts(
        title="Summary tables of limb lengthening",
        place=place_of(run),
        period=", ".join(dict.fromkeys(one.table.period for one in tables)),
        contact=contact,
        source="case tables of the service",
        prepared_on=datetime.date.today(),
        next_update=next_update or f"after {after.year} Q{after.quarter}",
        settings=export.settings,
        checks=_checks(export) if level == EXTERNAL else (),
    )


def _checks(export: Export) -> tuple[str, ...]:
    """What was tried on the release, for those who sign."""
    open_ones = int((~export.attacked["protected"].astype(bool)).sum())
    sentences = [
        f"Attack by linear and integer programming: {len(export.attacked)} hidden numbers, "
        f"{open_ones} not protected."
    ]
    if export.compared is None:
        return (*sentences, "Not compared with an earlier release: none was given.")
    told = int(leaving.of_one_period(export.compared).sum())
    moved = int(export.compared["flagged"].sum()) - told
    return (
        *sentences,
        f"Compared with the earlier release: {told} differences of one period that tell of few "
        f"people; {moved} small differences where the period moved on, for the checkers to weigh.",
    )


def _show(table: ShownTable) -> None:
    """Show a table of a release; its name becomes one that a notebook takes."""
    show(dataclasses.replace(table, name=table.name.replace("-", "_")))
