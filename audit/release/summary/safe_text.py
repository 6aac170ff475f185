"""Text that no spreadsheet program can run, and numbers that stay numbers.

After the OWASP page "CSV Injection" (owasp.org/www-community/attacks/CSV_Injection): a text is
dangerous when it begins with one of = + - @, a tab, a carriage return or a line feed, also after a
separator or a quotation mark inside it, where a program may begin a new cell. The full-width forms
of the four signs, which some programs turn into the plain ones, count as well.
"""

from __future__ import annotations

import decimal
import math
import re

from audit.release.workbook_sheets import visible

SIGNS = "=+-@＝＋－＠"
#: where a program may begin a cell when it takes the file for another kind of separated text
SEPARATORS = ',;|"'
_INVISIBLE = "\u00ad\u200b\u200c\u200d\u200e\u200f\u2060\ufeff"
_BREAKS = re.compile("[\t\n\r\v\f\x1c-\x1e\x85\u2028\u2029]+")
_DANGER = re.compile(f"(^|[{SEPARATORS}])([\\s{_INVISIBLE}]*)(?=[{re.escape(SIGNS)}])")


def safe_text(text: object) -> str:
    """The text in one line, with an apostrophe wherever it could begin to run.

    Line breaks and tabs become a blank, white and invisible characters at the ends go, control
    characters are made visible. A text that is already safe stays as it is; twice is once.
    """
    line = _BREAKS.sub(" ", str(text)).strip(_INVISIBLE + " \u00a0\u3000")
    return _DANGER.sub(r"\1\2'", visible(line))


def plain_number(value: float) -> str:
    """The shortest decimal digits that read back as this number, without an exponent.

    ValueError for a number that is none (not a number, infinite).
    """
    if not math.isfinite(value):
        raise ValueError("a number to be written must be finite")
    if float(value) == int(value):
        return str(int(value))
    return format(decimal.Decimal(repr(float(value))), "f")
