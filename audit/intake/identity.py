"""Refuses tables that could identify people, before any other column is read."""

from __future__ import annotations

import re

from audit.errors import UnusableInput

#: what a heading says -> words that give it away (whole words of the heading, in any order)
TELLTALES: dict[str, str] = {
    "a name": r"(first|last|sur|family|given|full|patient|maiden|fore|middle)_?names?|names?|"
    r"initials",
    "a birth date": r"(date|day|year)_of_birth|birth_?(date|day|year)?|dob|born(_on)?",
    "an address": r"(home_|street_|postal_)?address(es)?|street|post_?code|zip(_?code)?|city|town",
    "a telephone number": r"(tele)?phone(_(no|number))?|mobile(_(no|number))?|fax|tel",
    "an e-mail address": r"e_?mails?(_address)?",
    "a record number": r"(medical_|hospital_|health_|patient_)?record_?(no|number|id)|mrn|"
    r"(hospital|chart|file|case_note)_?(no|number)|nhs_?(no|number)",
    "a national number": r"(national|social_security|insurance|passport|tax|identity)_?"
    r"(no|number|id|card)|ssn|(national|social)_insurance(_no|_number)?",
    "an implant serial number": r"(implant_|device_|nail_)?(serial|lot|udi|batch)"
    r"(_?(no|number|id))?",
    "a picture or file": r"photo(s|graph)?|image_file|picture",
}


def telltale(heading: str) -> str | None:
    """What an identifying heading gives away, or None when it looks harmless."""
    plain = re.sub(r"[^a-z0-9]+", "_", heading.strip().lower()).strip("_")
    for what, pattern in TELLTALES.items():
        if re.fullmatch(pattern, plain):
            return what
    return None


def refuse_identifying_columns(table: str, headings: list[str], *, known: set[str]) -> None:
    """UnusableInput when a heading looks like something that names a person.

    Names the column, never its content; contract columns are always let through.
    """
    for heading in headings:
        what = None if heading in known else telltale(heading)
        if what is not None:
            raise UnusableInput(
                f"Table {table}: the column {heading!r} looks like {what}. Nothing was read. "
                "Remove the column from the file, then try again: the kit works on pseudonyms only."
            )
