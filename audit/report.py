"""Runs a notebook on a source and gathers its output in one folder."""

from __future__ import annotations

import dataclasses
import importlib.resources
import pathlib
from collections.abc import Callable, Mapping, Sequence

from audit.errors import UnusableInput
from audit.intake import read_source
from audit.intake.archive import read_archive
from audit.intake.claims import read_claims
from audit.intake.control_settings import read_control_settings
from audit.intake.published_values import read_published_values
from audit.intake.register import read_criteria
from audit.intake.series_plan import read_series_plan
from audit.intake.sources import absolute_source, is_url
from audit.periods import parse_day, parse_quarter
from audit.release.folder import own_folder, refuse_occupied, staged_folder
from audit.release.html import report_html
from audit.release.notebook_run import Hidden, execute, read_notebook
from audit.release.run_files import count_queries, save_page, save_shown

KINDS: dict[str, tuple[str, str]] = {
    "quarterly": ("quarterly_audit", "Quarterly audit of limb lengthening"),
    "quality": ("data_quality", "Data quality of the case tables"),
    "series": ("case_series", "Case series of limb lengthening"),
    "tables": ("summary_tables", "Summary tables that identify nobody"),
}
#: settings that not every notebook has
MORE_SETTINGS: dict[str, tuple[str, ...]] = {
    "quarterly": ("compare",),
    "series": ("plan", "published", "claims"),
    "tables": ("rules", "previous", "contact"),
}
#: of these the ones that are no paths
TEXTS = ("contact",)


#: kinds whose results are of other cases than those of the audit
APART = ("series",)


@dataclasses.dataclass(frozen=True, kw_only=True)
class Request:
    """What a report was asked for, as typed: see the `report` command."""

    quarter: str | None = None
    cutoff: str | None = None
    centre: str | None = None
    standards: str | None = None
    compare: str | None = None
    plan: str | None = None
    published: str | None = None
    claims: str | None = None
    rules: str | None = None
    previous: str | None = None
    contact: str | None = None


def make_report(
    kinds: str | Sequence[str],
    source: str | pathlib.Path,
    out: pathlib.Path,
    *,
    request: Request | None = None,
    replace: bool = False,
    tell: Callable[[str], None] = lambda _: None,
) -> int:
    """Execute the notebooks of one or more report kinds; returns the number of data queries.

    `out` then holds an HTML report a kind, `figures/`, `tables/` and the files of the run (of the
    last kind, where several write the same file); it is written whole or not at all. Beside other
    kinds the files of a paper stand in a folder of their own, since its results are those of the
    selected cases. Raises UnusableInput for what the person must mend, before a notebook starts
    where that can be known.
    """
    kinds = (kinds,) if isinstance(kinds, str) else tuple(kinds)
    for kind in kinds:
        if kind not in KINDS:
            raise UnusableInput(f"KIND must be one of {', '.join(KINDS)}; got {kind!r}.")
    if request is not None:
        _refuse_foreign(kinds, request)
    request = request or Request()
    refuse_occupied(out, replace=replace)
    _refuse_early(source, request)
    with staged_folder(out, replace=replace) as stage:
        settings = {
            "source": _source_setting(source),
            "quarter": request.quarter,
            "cutoff": request.cutoff,
            "centre": request.centre,
            "standards": _absolute(request.standards),
        }
        for kind in kinds:
            own = _own_settings(kind, request)
            apart = kind in APART and len(kinds) > 1
            home = own_folder(stage, KINDS[kind][0]) if apart else stage
            _one_report(kind, settings | own | {"out": str(home)}, stage, tell)
        return count_queries(stage)


def _own_settings(kind: str, request: Request) -> dict[str, str | None]:
    """The settings of one kind; one that was not given and is no path keeps its default."""
    asked = {name: getattr(request, name) for name in MORE_SETTINGS.get(kind, ())}
    return {
        name: value if name in TEXTS else _absolute(value)
        for name, value in asked.items()
        if value is not None or name not in TEXTS
    }


def _one_report(
    kind: str,
    settings: Mapping[str, str | Hidden | None],
    stage: pathlib.Path,
    tell: Callable[[str], None],
) -> None:
    """Execute a notebook; its files go to the folder that is its setting `out`, the page to
    `stage`."""
    name, title = KINDS[kind]
    notebook = read_notebook(_notebook_path(name))
    tell(f"{title}:")
    done = execute(notebook, settings=settings, tell=tell)
    tell("writing the report")
    save_page(report_html(done, title=title), stage / f"{name}.html")
    save_shown(done, pathlib.Path(str(settings["out"])))


def _source_setting(source: str | pathlib.Path) -> str | Hidden:
    found = absolute_source(source)
    return Hidden(found) if is_url(found) else found


def _refuse_foreign(kinds: Sequence[str], request: Request) -> None:
    """Options of another report are refused, for they would change nothing in silence."""
    for owner, names in MORE_SETTINGS.items():
        for name in names:
            if owner not in kinds and getattr(request, name) is not None:
                raise UnusableInput(f"--{name} is an option of: report {owner}.")


def _refuse_early(source: str | pathlib.Path, request: Request) -> None:
    """Whatever can be refused in a second is refused before a kernel starts."""
    if request.quarter is not None:
        parse_quarter(request.quarter)
    if request.cutoff is not None:
        parse_day(request.cutoff, option="--cutoff")
    read_criteria(request.standards)
    if request.compare is not None:
        read_archive(request.compare)
    if request.plan is not None:
        read_series_plan(request.plan)
    if request.published is not None:
        read_published_values(request.published)
    if request.claims is not None:
        read_claims(request.claims)
    if request.rules is not None:
        read_control_settings(request.rules)
    read_source(source)


def _absolute(path: str | None) -> str | None:
    return None if path is None else str(pathlib.Path(path).resolve())


def _notebook_path(name: str) -> pathlib.Path:
    home = pathlib.Path(str(importlib.resources.files("notebooks"))) / f"{name}.ipynb"
    if not home.is_file():
        raise UnusableInput("The notebooks are not installed: run from a checkout of the kit.")
    return home
