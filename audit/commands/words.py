"""What every command says in the same way, and its exit codes."""

from __future__ import annotations

import sys

DONE, ASKED, REFUSED = 0, 1, 2


def tell(words: str) -> None:
    """A line for the person at the keyboard; results go to files."""
    print(words, file=sys.stderr, flush=True)


def ending(asked: int, where: object) -> int:
    """The last line of a command that found data queries, and its exit code."""
    if asked == 0:
        tell("No data queries.")
        return DONE
    tell(f"{asked} data {'query' if asked == 1 else 'queries'}: see {where}.")
    return ASKED
