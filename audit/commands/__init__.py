"""The command line: reads what was typed, calls the kit, says what to do next."""

from __future__ import annotations

from collections.abc import Sequence

from audit.commands.parser import command_line
from audit.commands.words import REFUSED, tell
from audit.errors import UnusableInput


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command. Returns 0 done, 1 done with data queries, 2 refused (one clear message)."""
    parser = command_line()
    given = parser.parse_args(arguments)
    if given.command is None:
        parser.print_help()
        return REFUSED
    try:
        return given.run(given)
    except UnusableInput as problem:
        tell(f"Refused: {problem}")
        return REFUSED
    except KeyboardInterrupt:
        tell("Stopped. Nothing was left half-written.")
        return 130
