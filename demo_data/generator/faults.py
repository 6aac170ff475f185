"""The faulty twin of the demo tables: one clear fault for each of many rules, and a list of them.

python -m demo_data.generator.faults OUT writes the tables with their faults and `planted.csv`
(table, row, case_id, column, rule, severity, what); row is the line of the file, headings = 1.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from demo_data.generator import build_tables, write
from demo_data.generator.fault_cases import CASE_ERRORS
from demo_data.generator.fault_questions import CASE_QUESTIONS
from demo_data.generator.fault_rows import ROW_FAULTS
from demo_data.generator.fault_workshop import Fault, Workshop

PLANTED = ("table", "row", "case_id", "column", "rule", "severity", "what")
FAULTS: tuple[Fault, ...] = (*ROW_FAULTS, *CASE_QUESTIONS, *CASE_ERRORS)
#: kinds with many cases: their faults go in last, to leave the rare cases to the others
COMMON = ("whole", "any", "")


def plant(tables: Mapping[str, pd.DataFrame]) -> tuple[dict[str, pd.DataFrame], pd.DataFrame]:
    """(tables with faults, list of faults with the columns `PLANTED`); the input stays as it is.

    tables: text columns, empty text = missing, as `build_tables` makes them. Raises ValueError
    when no case is left for a fault.
    """
    workshop = Workshop(tables)
    for fault in sorted(FAULTS, key=lambda fault: fault.kind in COMMON):
        workshop.put(fault)
    return workshop.tables, pd.DataFrame(workshop.planted, columns=list(PLANTED))


def main(arguments: list[str]) -> int:
    """Write the faulty twin into the folder named; 2 and a hint when none is named."""
    if len(arguments) != 1:
        sys.stderr.write("usage: python -m demo_data.generator.faults OUT\n")
        return 2
    tables, planted = plant(build_tables())
    write.write_tables({**tables, "planted": planted}, Path(arguments[0]))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
