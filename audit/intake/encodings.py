"""Bytes of a text file to text, whatever its encoding, with a remark where it is not UTF-8."""

from __future__ import annotations

from audit.errors import UnusableInput

_MARKS = {
    b"\xef\xbb\xbf": "utf-8-sig",
    b"\xff\xfe\x00\x00": "utf-32",
    b"\x00\x00\xfe\xff": "utf-32",
    b"\xff\xfe": "utf-16",
    b"\xfe\xff": "utf-16",
}
#: share of the bytes at even or odd places that are zero in text of two bytes a letter
_ZERO_SHARE = 0.5
#: and at the other places, where such text has next to none
_OTHER_SHARE = 0.05
_LOOKED_AT = 20_000


def decode(content: bytes, *, name: str) -> tuple[str, list[tuple[str, str]]]:
    """Text of a file and remarks on its encoding, as (rule, message).

    A byte-order mark decides; without one the text is UTF-8, or UTF-16 where every other byte is
    zero, or else Windows-1252. Raises UnusableInput when it is empty or not text.
    """
    if not content.strip(b"\x00 \t\r\n\xef\xbb\xbf\xff\xfe"):
        raise UnusableInput(f"{name} is empty: put the headings in its first line.")
    for mark, encoding in _MARKS.items():
        if content.startswith(mark):
            return _checked(_decoded(content, encoding, name), name), []
    if b"\x00" in content:
        encoding = _without_mark(content)
        if not encoding:
            raise _zero_bytes(content, name)
        text = _checked(_decoded(content, encoding, name), name)
        return text, [("not_utf8", "The file is UTF-16; it was read so. Save it as UTF-8.")]
    try:
        return content.decode("utf-8"), []
    except UnicodeDecodeError:
        text = _checked(_decoded(content, "cp1252", name), name)
    message = "The file is not UTF-8; it was read as Windows-1252. Save it as UTF-8."
    return text, [("not_utf8", message)]


def _without_mark(content: bytes) -> str:
    """The encoding of UTF-16 text without a mark, "" where it is none."""
    part = content[: _LOOKED_AT - _LOOKED_AT % 2]
    half = max(1, len(part) // 2)
    even, odd = part[::2].count(0) / half, part[1::2].count(0) / half
    if len(content) % 2 or min(even, odd) > _OTHER_SHARE or max(even, odd) < _ZERO_SHARE:
        return ""
    return "utf-16-le" if odd > even else "utf-16-be"


def _decoded(content: bytes, encoding: str, name: str) -> str:
    try:
        return content.decode(encoding)
    except UnicodeDecodeError:
        raise _not_text(name) from None


def _checked(text: str, name: str) -> str:
    """The text, unless it holds control characters that no table has."""
    if any(ord(letter) < 32 and letter not in "\t\r\n\x1a" for letter in text[:100_000]):
        raise _not_text(name)
    return text


def _not_text(name: str) -> UnusableInput:
    return UnusableInput(
        f"{name} is not a text file. Save the table as CSV (comma separated, UTF-8) and try again."
    )


def _zero_bytes(content: bytes, name: str) -> UnusableInput:
    line = content[: content.index(b"\x00")].count(b"\n") + 1
    return UnusableInput(
        f"{name} is not a text file, or is damaged: it holds zero bytes, first in line {line}. "
        "Save the table again as CSV (comma separated, UTF-8) and try again."
    )
