"""No text of a release can run in a spreadsheet program, and no number becomes a text.

Dangerous first characters and places: OWASP, "CSV Injection" (owasp.org/www-community/attacks/
CSV_Injection): = + - @ tab, carriage return, line feed; also after a separator or a quote.
"""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.release.summary.safe_text import plain_number, safe_text

OWASP_FIRST = ["=", "+", "-", "@", "\t", "\r", "\n"]
PAYLOADS = [
    "=1+1",
    "+1+1",
    "-1+1",
    "@SUM(1+1)",
    "\t=1+1",
    "\r=1+1",
    "\n=1+1",
    '=HYPERLINK("x";"y")',
    "=cmd|' /C calc'!A0",
    "a,=1+1",
    "a;=1+1",
    'a";=1+1',
    '"=1+1"',
    "a\n=1+1",
    "  =1+1",
    "\u200b=1+1",
    "\ufeff=1+1",
    "＝1+1",
    "-5",
    "-3.5",
]


def begins_badly(text: str) -> bool:
    return bool(text) and (text[0] in OWASP_FIRST or text[0] in "＝＋－＠")


@pytest.mark.parametrize("payload", PAYLOADS, ids=repr)
def test_a_dangerous_text_begins_with_no_dangerous_character(payload):
    safe = safe_text(payload)
    assert not begins_badly(safe)
    # whatever separator a program goes by, with or without respect for quotes
    for part in re.split('[,;|\t"\n\r]', safe):
        assert not begins_badly(part.strip(" \u200b\ufeff\u00a0"))


@pytest.mark.parametrize(
    "harmless",
    ["Lengthening nail", "10-19", "4 of 10", "0 second ones; 6 cells", "1:2", "<10", "90 or over",
     "mm/day", "50 %", "a - b", "[c]", "Paley, 1990", "x, 5 mm", "Straße, 'quoted'"],
)  # fmt: skip
def test_a_harmless_text_stays_as_it_is(harmless):
    assert safe_text(harmless) == harmless


@given(st.text(max_size=40))
def test_any_text_is_safe_and_twice_is_once(text):
    safe = safe_text(text)
    assert not begins_badly(safe)
    assert not re.search('[,;|"]\\s*[=+@＝＋－＠-]', safe)
    assert not re.search("[\x00-\x1f\x7f]", safe)
    assert safe_text(safe) == safe


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_reads_back_as_itself_and_has_no_exponent(number):
    text = plain_number(number)
    assert float(text) == number
    assert re.fullmatch(r"-?\d+(\.\d+)?", text)


def test_a_negative_number_stays_a_number():
    assert plain_number(-3.5) == "-3.5"
    assert plain_number(-4.0) == "-4"


@pytest.mark.parametrize("number", [float("nan"), float("inf"), float("-inf")])
def test_what_is_no_finite_number_is_refused(number):
    with pytest.raises(ValueError, match="must be finite"):
        plain_number(number)
