"""A database as a source."""
from __future__ import annotations
from audit.errors import UnusableInput
from audit.intake.grid import Opened

def open_database(url: str) -> Opened:
    """Placeholder being written."""
    raise UnusableInput("not yet")
