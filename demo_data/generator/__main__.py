"""Write the demo tables: python -m demo_data.generator OUT"""

from __future__ import annotations

import sys
from pathlib import Path

from demo_data.generator import build_tables, write


def main(arguments: list[str]) -> int:
    """Write all tables into the folder named; 2 and a hint when none is named."""
    if len(arguments) != 1:
        sys.stderr.write("usage: python -m demo_data.generator OUT\n")
        return 2
    write.write_tables(build_tables(), Path(arguments[0]))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
