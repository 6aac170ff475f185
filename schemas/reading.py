"""What reading a source can ask, before columns and rules between cells are checked.

One entry a rule: severity, and what it means in general; the question itself names the place.
"""

from __future__ import annotations

#: rule -> (severity, meaning); "error or warning" where it depends on what is hidden
READING_CHECKS: dict[str, tuple[str, str]] = {
    # the file or sheet as a whole
    "file_not_used": ("warning", "A file, sheet or table that nothing reads; is it a table?"),
    "not_utf8": ("warning", "The file is not UTF-8; it was read in the encoding that it has."),
    "not_comma_separated": ("warning", "Cells are separated by something else than commas."),
    "separators_at_line_ends": ("warning", "Every line ends in separators without a cell."),
    "lines_above_headings": ("warning", "Lines above the headings were not used."),
    "sheet_hidden": ("warning", "A hidden sheet was read."),
    "sheet_empty": ("warning", "An empty sheet was taken as a table that is not given."),
    "macros_ignored": ("warning", "Macros were not run."),
    "external_links_ignored": ("warning", "Links to other workbooks were not followed."),
    "other_content_ignored": ("warning", "Data connections or objects were not opened."),
    # columns
    "unknown_column": ("warning", "The column is not in the contract; it is never used."),
    "column_without_heading": ("warning", "Cells without a heading were not used."),
    "hidden_columns": ("warning", "Hidden columns were read."),
    "formula_cells": ("warning", "Cells hold formulas; their stored results were read."),
    "number_shown_with_unit": ("warning", "A format shows a unit that the number does not hold."),
    "identifier_stored_as_number": ("warning", "Ids are numbers, so zeros in front are lost."),
    "text_stored_as_date": ("warning", "A text column holds dates."),
    "time_zone_not_used": ("warning", "Moments have a time zone; their clock time was read."),
    "repeated_placeholder": ("warning", "One odd value stands in many cells of the column."),
    # lines
    "more_cells_than_headings": ("error", "The line has more cells than headings; not used."),
    "fewer_cells_than_headings": ("warning", "The line is short; the rest was taken as empty."),
    "heading_repeated": ("error", "The line repeats the headings; not used."),
    "line_below_headings": ("error", "The line holds units or a second heading; not used."),
    "totals_row": ("error", "The line holds totals; not used."),
    "totals_row_not_used": ("warning", "The totals row of a workbook table was not used."),
    "hidden_rows": ("warning", "Hidden rows were read."),
    # cells
    "merged_cells": ("error or warning", "Merged cells; an error where a value is covered."),
    "spreadsheet_error_value": ("error", "The cell holds an error of a spreadsheet."),
    "formula_without_value": ("error", "The cell holds a formula whose result is not stored."),
    "id_changed_by_spreadsheet": ("error", "A spreadsheet changed the id; digits may be lost."),
    "identifier_stored_as_date": ("error", "A spreadsheet turned the id into a date."),
    "date_before_march_1900": ("error", "A small number shown as a day of 1900."),
    "missing_value_word": ("error", "A word for a missing value; the cell should be empty."),
    "not_plain_value": ("error", "A database cell that is no text, number, day or yes/no."),
    # persons
    "id_may_identify": ("warning", "The pseudonym seems to hold initials or a year of birth."),
    "code_may_name_person": ("warning", "A code seems to name a person."),
    "free_text_may_identify": ("warning", "A free text seems to hold a date, phone or e-mail."),
}
