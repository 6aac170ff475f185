"""What the cover of a release says: the facts that no table knows."""

from __future__ import annotations

import dataclasses
import datetime

from audit.disclosure.controlled import LEVELS
from audit.disclosure.settings import ControlSettings
from audit.errors import UnusableInput
from audit.intake.provenance import made_with

#: what a release level means to whoever holds a file of it
LEVEL_WORDS: dict[str, str] = {
    "internal": "Internal: exact numbers on few people. For the department only; it must not leave "
    "it.",
    "paper": "Paper: exact numbers without dates. For the authors of a paper and their ethics "
    "decision; small cells are listed in the release note.",
    "external": "External: small numbers are hidden and the others rounded. For people outside "
    "the department, once two checkers have signed.",
}
USE = "Service evaluation of a group of patients, never advice for one patient."
#: facts without which a release is not written (a cover that answers nothing)
REQUIRED = ("title", "place", "period", "contact", "source", "next_update")
LANGUAGE = "en-GB"


@dataclasses.dataclass(frozen=True, kw_only=True)
class ReleaseFacts:
    """The facts of a release, as a person gives them.

    place: the service. period: in words. contact: a post or shared address rather than a person.
    source: of the data. prepared_on: the day in the documents' properties; no clock is read, so
    that equal content gives equal bytes. next_update: a day or words. data_to: last day the tables
    may speak of. frequency: how often the tables come out. settings: of disclosure control; an
    external release needs them. checks: what was tested on the release and what came of it, a
    sentence each.
    """

    title: str
    place: str
    period: str
    contact: str
    source: str
    prepared_on: datetime.date
    next_update: str
    data_to: datetime.date | None = None
    frequency: str = "quarterly"
    settings: ControlSettings | None = None
    checks: tuple[str, ...] = ()


def check_facts(facts: ReleaseFacts, *, level: str) -> None:
    """UnusableInput that names each required fact that is empty; ValueError for a level that is
    not in the list, and for an external release without the settings of its control."""
    if level not in LEVELS:
        raise ValueError(f"level must be one of {', '.join(LEVELS)}; got {level!r}")
    if level == "external" and facts.settings is None:
        raise ValueError("an external release needs the settings of its disclosure control")
    empty = [name for name in REQUIRED if not str(getattr(facts, name)).strip()]
    if empty:
        raise UnusableInput(
            f"The cover of the release needs: {', '.join(empty)}. Fill them in among the settings."
        )


def cover_rows(facts: ReleaseFacts, *, level: str) -> tuple[tuple[str, str], ...]:
    """(item, text) pairs of the cover, in order; nothing is empty."""
    made = made_with()
    code = f", code {made.code[:12]}" if made.code else ""
    return (
        ("Title", facts.title),
        ("Release level", LEVEL_WORDS[level]),
        ("Place", facts.place),
        ("Period", facts.period),
        ("Data up to", facts.data_to.isoformat() if facts.data_to else "end of the period"),
        ("Frequency", facts.frequency),
        ("Prepared on", facts.prepared_on.isoformat()),
        ("Next update", facts.next_update),
        ("Contact", facts.contact),
        ("Source", facts.source),
        ("Use", USE),
        *(("Control setting", words) for words in setting_words(facts.settings)),
        *(("Exception", words) for words in exception_words(facts.settings)),
        *(("Check", words) for words in facts.checks),
        ("Made with", f"lengthening-audit {made.version or 'of unknown version'}{code}"),
    )


def setting_words(settings: ControlSettings | None) -> tuple[str, ...]:
    """The settings of disclosure control, one sentence each; none without settings."""
    if settings is None:
        return ()
    most = settings.threshold - 1
    steps = ", ".join(f"{unit} {step:g}" for unit, step in settings.precision.items())
    zeros = "shown" if settings.zeros == "show" else "hidden like a small number"
    version = f"version {settings.version}" if settings.version else "without a version"
    second = "hidden too" if settings.complementary else "not hidden"
    words = [
        f"Threshold: a number that rests on 1 to {most} people is hidden.",
        f"Averages, quartiles and curve points need {settings.averages_people} people or more.",
        f"Counts are rounded to multiples of {settings.base}; shares come from rounded counts.",
        f"A count of none is {zeros}.",
        f"Curves move in steps of {settings.curve_step} people.",
        f"Second cells by which a hidden one could be worked out are {second}.",
        f"Averages are rounded to: {steps}." if steps else "",
        f"Settings file: {settings.name}, {version}.",
        f"Why these settings: {settings.justification}" if settings.justification else "",
    ]
    return tuple(word for word in words if word)


def exception_words(settings: ControlSettings | None) -> tuple[str, ...]:
    """The recorded decisions of the settings, one sentence each; "none" where there are none."""
    if settings is None or not settings.decisions:
        return ("none",)
    return tuple(
        f"{one.table}"
        + (
            f" ({', '.join(f'{key} {value}' for key, value in one.cell.items())})"
            if one.cell
            else ""
        )
        + f": rule {one.rule} set aside by {one.decided_by}"
        + (f" on {one.decided_on}" if one.decided_on else "")
        + f", because {one.reason}"
        for one in settings.decisions
    )
