"""One run of the audit: source to results, in one call that notebooks and commands share."""

from __future__ import annotations

import dataclasses
import pathlib
from collections.abc import Callable

import pandas as pd

from audit.cohort import Cohort, build_cohort
from audit.errors import UnusableInput
from audit.intake import Tables, read_source, source_name
from audit.intake.register import Register, read_register
from audit.measures import measure_cases
from audit.periods import last_complete_quarter, last_day, parse_day, parse_quarter
from audit.results import result_table
from audit.settings import Settings
from audit.standards import judge_standards

Tell = Callable[[str], None]


@dataclasses.dataclass(frozen=True)
class AuditRun:
    """Everything a report shows. parameters: what was asked for (no path, only names). tables:
    the source as read, and register: the criteria used; both are what a later re-audit needs."""

    cohort: Cohort
    measured: pd.DataFrame
    results: pd.DataFrame
    standards: pd.DataFrame
    quarter: pd.Period
    parameters: dict[str, object]
    tables: Tables | None = None
    register: Register | None = None

    @property
    def kept_register(self) -> Register:
        """The register. UnusableInput for a run that keeps none."""
        if self.register is None:
            raise UnusableInput("This run keeps no register of criteria: run the audit again.")
        return self.register


@dataclasses.dataclass(frozen=True, kw_only=True)
class Options:
    """Rarely changed choices of a run. standards: a register file instead of the default one;
    tell: called with a few words as each step begins."""

    standards: str | pathlib.Path | None = None
    settings: Settings | None = None
    tell: Tell | None = None


def _silent(_: str) -> None:
    return None


def run_audit(
    source: str | pathlib.Path,
    *,
    quarter: str | None = None,
    cutoff: str | None = None,
    centre: str | None = None,
    options: Options | None = None,
) -> AuditRun:
    """Read, judge, measure and estimate a source.

    quarter: like 2026Q3; default the last one complete at the cut-off. cutoff: YYYY-MM-DD; default
    the last day of `quarter` if given, else the last dated fact. Raises UnusableInput for what
    the person at the keyboard must mend.
    """
    options = options or Options()
    tell = options.tell or _silent
    asked = None if quarter is None else parse_quarter(quarter)
    day = None if cutoff is None else parse_day(cutoff, option="--cutoff")
    if day is None and asked is not None:
        day = last_day(asked)
    register = read_register(options.standards)
    tell("reading the tables")
    tables = read_source(source)
    tell("checking every value and building the cohort")
    cohort = build_cohort(tables, day, centre=centre, settings=options.settings)
    chosen = asked if asked is not None else last_complete_quarter(cohort.cutoff)
    tell(f"measuring {len(cohort.cases)} cases")
    measured = measure_cases(cohort)
    tell("estimating with intervals")
    results = result_table(cohort, measured, chosen)
    standards = judge_standards(cohort, measured, register.criteria, chosen)
    standards = standards.assign(register_version=register.version)
    parameters: dict[str, object] = {
        "source": source_name(source),
        "quarter": str(chosen),
        "cutoff": cohort.cutoff.date().isoformat(),
        "centre": centre,
        "standards": None if options.standards is None else pathlib.Path(options.standards).name,
    }
    return AuditRun(
        cohort=cohort,
        measured=measured,
        results=results,
        standards=standards,
        quarter=chosen,
        parameters=parameters,
        tables=tables,
        register=register,
    )
