"""One workbook as a source."""
from __future__ import annotations
import pathlib
from audit.errors import UnusableInput
from audit.intake.grid import Opened

def open_workbook(path: pathlib.Path) -> Opened:
    """Placeholder being written."""
    raise UnusableInput("not yet")
