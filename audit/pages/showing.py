"""How every page puts a table for people into a notebook."""

from __future__ import annotations

from audit.notebook_display import show_table
from audit.tables.shown import ShownTable


def show(table: ShownTable) -> None:
    """Show a table with its caption and notes."""
    show_table(
        table.frame,
        name=table.name,
        caption=table.caption,
        notes=table.notes,
        row_headings=table.row_headings,
    )
