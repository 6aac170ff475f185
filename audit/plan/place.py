"""Where an entry of a plan stands, and how to complain about it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Sequence
from typing import Any, NoReturn

from audit.errors import UnusableInput

#: an entry: its table, for a rule its number from 0, the entry itself
Path = tuple[str | int, ...]
LineOf = Callable[[Path], int | None]


@dataclasses.dataclass(frozen=True)
class Place:
    """Which file is read, and how to complain about an entry of it."""

    name: str
    line_of: LineOf

    def refuse(self, path: Path, rule: str) -> NoReturn:
        """Raises UnusableInput for the entry at `path`."""
        line = self.line_of(path)
        where = self.name if line is None else f"{self.name}, line {line}"
        parts = [f"{part + 1}" if isinstance(part, int) else part for part in path]
        raise UnusableInput(f"{where}, {' '.join(parts)}: {rule}" if parts else f"{where}: {rule}")

    def only_known(self, path: Path, entries: Iterable[str], known: Sequence[str]) -> None:
        """Refuses the first entry of the table at `path` that is not in the list."""
        for key in entries:
            if key not in known:
                self.refuse((*path, key), f"unknown entry; known: {', '.join(known)}.")

    def one_of(self, path: Path, given: Any, allowed: Sequence[str]) -> str:
        """The value, which must be in the list."""
        if given not in allowed:
            self.refuse(path, f"must be one of {', '.join(allowed)}; got {given!r}.")
        return str(given)

    def names(self, path: Path, given: Any, allowed: Sequence[str]) -> tuple[str, ...]:
        """A list of different texts, each in the list allowed."""
        if not isinstance(given, list):
            self.refuse(path, f'must be a list, for example ["{allowed[0]}"].')
        for one in given:
            self.one_of(path, one, allowed)
        if len(set(given)) != len(given):
            self.refuse(path, "names the same entry twice. Delete one.")
        return tuple(given)
