"""Where a text points to: only tables and figures that the document holds."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable


@dataclasses.dataclass(frozen=True)
class Pointers:
    """names: of the tables and figures of the document. A wanted name that is none of them finds
    those that go on from it: `series_sensitivity` finds `series_sensitivity_times`."""

    names: tuple[str, ...] = ()

    def find(self, *wanted: str) -> tuple[str, ...]:
        """The names wanted, or those that go on from them, in the order wanted, each once."""
        found: list[str] = []
        for want in wanted:
            exact = want in self.names
            found += [want] if exact else [n for n in self.names if n.startswith(f"{want}_")]
        return tuple(dict.fromkeys(found))

    def see(self, *wanted: str) -> str:
        """` ([#name], [#other])`, or nothing where the document holds none of them."""
        return f" ({_signs(found)})" if (found := self.find(*wanted)) else ""

    def places(self, *wanted: str) -> str:
        """`[#name], [#other]`, or nothing."""
        return _signs(self.find(*wanted))


def _signs(names: Iterable[str]) -> str:
    return ", ".join(f"[#{name}]" for name in names)
