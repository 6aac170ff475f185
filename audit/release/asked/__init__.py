"""The return workbook: a source with its questions at the cells."""
