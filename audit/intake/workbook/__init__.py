"""One workbook as a source: vetted, unpacked in memory, read and questioned."""

from audit.intake.workbook.source import open_workbook

__all__ = ["open_workbook"]
