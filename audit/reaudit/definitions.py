"""The definitions of then and of today, and which entries of them changed."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence

import pandas as pd

from audit.criteria import Criterion
from audit.intake.archive import ArchivedRun
from audit.settings import Settings

#: entries of a criterion that explain it and decide no number
WORDING = ("id", "words", "source", "reason", "target_level")
#: entries that standards.csv repeats, by which an archive without its register is understood
REPEATED = ("measure", "statistic", "target", "direction", "index_date", "population")


@dataclasses.dataclass(frozen=True)
class Definitions:
    """Criteria of then by id, as far as they are known, and those of today.

    known: the register of then was kept. doubtful: for a criterion whose register was not kept,
    the entries that standards.csv of then gives otherwise than today's register.
    """

    then: Mapping[str, Criterion]
    today: Mapping[str, Criterion]
    known: bool
    doubtful: Mapping[str, tuple[str, ...]]
    settings_then: Settings
    settings_today: Settings

    def entry_changes(self, criterion: str) -> tuple[str, ...]:
        """The entries of a criterion that changed, as `target 0.95 to 0.9`."""
        if criterion in self.doubtful:
            return self.doubtful[criterion]
        if criterion in self.then and criterion in self.today:
            return changed_entries(self.then[criterion], self.today[criterion])
        return ()

    def setting_changes(self) -> tuple[str, ...]:
        """The settings that changed, as `setting tolerance_mm 5.0 to 7.0`."""
        return tuple(
            f"setting {name} {_shown(before)} to {_shown(getattr(self.settings_today, name))}"
            for name, before in vars(self.settings_then).items()
            if before != getattr(self.settings_today, name)
        )


def definitions(
    archived: ArchivedRun, criteria: Sequence[Criterion], settings: Settings
) -> Definitions:
    """Definitions of an archived run beside today's criteria and settings.

    Where the register of then was not kept, a criterion counts as unchanged when every entry that
    standards.csv repeats agrees with today's; else its changed entries are named and it is not
    recomputed as it was then.
    """
    today = {criterion.id: criterion for criterion in criteria}
    then: dict[str, Criterion] = {}
    doubtful: dict[str, tuple[str, ...]] = {}
    if archived.register is not None:
        then = {criterion.id: criterion for criterion in archived.register.criteria}
    else:
        for criterion_id, rows in archived.standards.groupby("criterion", sort=False):
            if str(criterion_id) not in today:
                continue
            criterion = today[str(criterion_id)]
            found = _other_entries(rows.iloc[0], criterion)
            if found:
                doubtful[criterion.id] = found
            else:
                then[criterion.id] = criterion
    return Definitions(
        then=then,
        today=today,
        known=archived.register is not None,
        doubtful=doubtful,
        settings_then=archived.about.settings,
        settings_today=settings,
    )


def changed_entries(then: Criterion, today: Criterion) -> tuple[str, ...]:
    """The entries that decide numbers and differ, as `target 0.95 to 0.9`."""
    return tuple(
        f"{field.name} {_entry(field.name, then)} to {_entry(field.name, today)}"
        for field in dataclasses.fields(Criterion)
        if field.name not in WORDING and getattr(then, field.name) != getattr(today, field.name)
    )


def _other_entries(row: pd.Series, criterion: Criterion) -> tuple[str, ...]:
    found = []
    for name in REPEATED:
        before, now = row.get(name, ""), getattr(criterion, name)
        same = _number(before) == now if isinstance(now, float) else before == now
        if before != "" and not same:
            found.append(f"{name} {before} to {_shown(now)}")
    return tuple(found)


def _entry(name: str, criterion: Criterion) -> str:
    value = getattr(criterion, name)
    if name in ("device_class", "segment") and not value:
        return "every one"
    return _shown(value)


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _shown(value: object) -> str:
    if isinstance(value, tuple):
        return " or ".join(map(str, value)) or "none"
    return f"{value:g}" if isinstance(value, float) else str(value)
