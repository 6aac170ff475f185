"""On which line of a register an entry stands, for messages to whoever edits it.

The TOML reader of the standard library gives lines for faults of syntax only. This walks a text
that it has accepted already, so it need not judge anything: it skips strings, comments, arrays and
inline tables, and notes where headers and keys begin (TOML 1.0.0, https://toml.io/en/v1.0.0).
"""

from __future__ import annotations

import re

TABLE = "criterion"
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^,\]}#\n]+")
_TRIPLES = ('"""', "'''")

Key = tuple[int, str | None, int | None]


def entry_lines(text: str) -> dict[Key, int]:
    """(number of the criterion from 1, entry, number of the item in it) -> line from 1.

    The header of a criterion stands under (number, None, None), an entry under (number, entry,
    None), an inline table or sub-table of an entry under (number, entry, item from 1); number 0 is
    the register itself. text: TOML that the standard library has read.
    """
    return _Walk(text).walk()


class _Walk:
    def __init__(self, text: str) -> None:
        self.text, self.at = text, 0
        self.found: dict[Key, int] = {}
        self.number, self.table = 0, ()  # type: tuple[int, tuple[str, ...]]

    def walk(self) -> dict[Key, int]:
        while self._skip_blank():
            if self._here("["):
                self._header()
            else:
                self._entry()
        return self.found

    def _here(self, start: str) -> bool:
        return self.text.startswith(start, self.at)

    def _line(self) -> int:
        return self.text.count("\n", 0, self.at) + 1

    def _skip_blank(self) -> bool:
        """Move to the next character that is no blank, line end or comment; False at the end."""
        while self.at < len(self.text):
            if self.text[self.at] == "#":
                end = self.text.find("\n", self.at)
                self.at = len(self.text) if end < 0 else end
            elif self.text[self.at].isspace():
                self.at += 1
            else:
                return True
        return False

    def _header(self) -> None:
        line, several = self._line(), self._here("[[")
        self.at += 2 if several else 1
        self.table = self._path()
        self.at += 2 if several else 1
        if self.table == (TABLE,) and several:
            self.number += 1
            self.found[self.number, None, None] = line
        elif self.table[0] == TABLE and len(self.table) > 1:
            self._note(self.number, self.table[1], line)
            items = [key for key in self.found if key[:2] == (self.number, self.table[1])]
            if several and len(self.table) == 2:
                self.found[self.number, self.table[1], len(items)] = line
        else:
            self._note(0, self.table[0], line)

    def _entry(self) -> None:
        line = self._line()
        path = (*self.table, *self._path())
        self.at += 1  # the sign of equality
        items = self._value()
        if path[0] != TABLE:
            self._note(0, path[0], line)
        elif len(path) == 1:
            # the criteria themselves as a list of inline tables
            for number, (first, keys) in enumerate(items, 1):
                self.found[number, None, None] = first
                for key in keys:
                    self._note(number, key, first)
        else:
            self._note(self.number, path[1], line)
            if len(path) == 2:
                for number, (first, _) in enumerate(items, 1):
                    self.found[self.number, path[1], number] = first

    def _note(self, number: int, key: str, line: int) -> None:
        self.found.setdefault((number, key, None), line)

    def _path(self) -> tuple[str, ...]:
        """A key with its dots; afterwards at what follows it."""
        parts = []
        while True:
            self._skip_blank()
            if self.text[self.at] in "\"'":
                start = self.at + 1
                self._string()
                parts.append(self.text[start : self.at - 1])
            elif found := _BARE.match(self.text, self.at):
                parts.append(found.group())
                self.at = found.end()
            self._skip_blank()
            if not self._here("."):
                return tuple(parts)
            self.at += 1

    def _string(self) -> None:
        """Move behind a string of any of the four kinds."""
        quote = self.text[self.at]
        mark = quote * 3 if self.text[self.at : self.at + 3] in _TRIPLES else quote
        self.at += len(mark)
        while not self._here(mark):
            self.at += 2 if quote == '"' and self._here("\\") else 1
        self.at += len(mark)
        while len(mark) == 3 and self._here(quote):
            self.at += 1  # quotes right before the closing three belong to the string

    def _value(self) -> list[tuple[int, list[str]]]:
        """Move behind a value; the (line, keys) of the inline tables that an array holds."""
        items: list[tuple[int, list[str]]] = []
        self._skip_blank()
        if self.text[self.at] in "\"'":
            self._string()
        elif self._here("{"):
            self._inline()
        elif self._here("["):
            self.at += 1
            while self._skip_blank() and not self._here("]"):
                line, table = self._line(), self._here("{")
                keys = self._inline() if table else self._element()
                if table:
                    items.append((line, keys))
            self.at += 1
        elif found := _SCALAR.match(self.text, self.at):
            self.at = found.end()
        return items

    def _element(self) -> list[str]:
        """Move behind one element of an array that is no table, or a comma."""
        if self._here(","):
            self.at += 1
        else:
            self._value()
        return []

    def _inline(self) -> list[str]:
        """Move behind an inline table; its keys."""
        keys = []
        self.at += 1
        while self._skip_blank() and not self._here("}"):
            if self._here(","):
                self.at += 1
                continue
            keys.append(self._path()[0])
            self.at += 1
            self._value()
        self.at += 1
        return keys
