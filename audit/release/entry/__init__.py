"""The empty workbook in which cases are entered."""
