"""What a workbook file is allowed to be, before anything in it is opened.

A workbook is a zip of XML parts. It may come from anywhere, so every part is inflated here once,
against limits and not against what the file says of itself; only parts that passed are handed on.
Nothing is ever written beside the source, run, followed or fetched.
"""

from __future__ import annotations

import io
import re
import struct
import zipfile
import zlib
from collections.abc import Iterator

from audit.errors import UnusableInput
from audit.intake.workbook.kinds import refuse_other_archives, refuse_other_files

MIB = 1024 * 1024
#: largest file: a register of 100 000 cases in 28 columns takes about 15 MiB
MAX_FILE_BYTES = 256 * MIB
#: most that all parts may inflate to: the same register takes about 130 MiB, and a sheet of a
#: million rows that are formatted and empty about 600 MiB
MAX_INFLATED_BYTES = 1024 * MIB
#: a part may not inflate to more than this many times its stored size ...
MAX_RATIO = 200
#: ... once it is larger than this: a million rows that are formatted, empty and all alike reach
#: about 25 to 1; what only fills the disk comes to between 230 and 1030 to 1
RATIO_FREE_BYTES = 16 * MIB
#: a workbook of 200 sheets with pictures and remarks stays below 2000
MAX_PARTS = 5000
#: bytes inflated at a time
CHUNK = MIB
#: stored and deflated: the two methods that the open packaging conventions (ISO/IEC 29500-2) allow
METHODS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
XML_ENDINGS = (".xml", ".rels", ".vml")
ENCODING = re.compile(rb"""\A\s*<\?xml[^>]*?\sencoding\s*=\s*["']([^"']*)""")
LOCAL_HEADER = b"PK\x03\x04"


class Package:
    """The parts of one workbook, read only through the checks.

    name: file name for messages. parts: names of the parts, in lower case with "/" between
    folders (part names differ in more than capitals: ISO/IEC 29500-2).
    """

    def __init__(self, content: bytes, *, name: str) -> None:
        self.name = name
        self._content = content
        self._entries = _checked_entries(content, name)
        self._unread = set(self._entries)
        self._inflated = 0

    @property
    def parts(self) -> frozenset[str]:
        return frozenset(self._entries)

    def read(self, part: str) -> bytes:
        """The bytes of an XML part. UnusableInput when it breaks a limit or is not allowed."""
        return b"".join(self.chunks(part))

    def chunks(self, part: str) -> Iterator[bytes]:
        """The same piece by piece, each checked before it is given."""
        if part not in self._entries:
            raise damaged(self.name)
        return self._checked(part, is_xml=True)

    def vet_the_rest(self) -> None:
        """Inflate and check every part that has not been read, keeping nothing."""
        for part in sorted(self._unread):
            for _ in self._checked(part, is_xml=part.endswith(XML_ENDINGS)):
                pass

    def _checked(self, part: str, *, is_xml: bool) -> Iterator[bytes]:
        entry = self._entries[part]
        self._unread.discard(part)
        size, check, tail = 0, 0, b""
        for chunk in _inflated(self._content, entry, self.name):
            if is_xml:
                _refuse_unsafe_xml(tail + chunk, self.name, first=size == 0)
                tail = chunk[-16:]
            size += len(chunk)
            check = zlib.crc32(chunk, check)
            self._inflated += len(chunk)
            self._refuse_over_limits(size, entry)
            yield chunk
        if size != entry.file_size or check != entry.CRC:
            raise damaged(self.name)

    def _refuse_over_limits(self, size: int, entry: zipfile.ZipInfo) -> None:
        if self._inflated > MAX_INFLATED_BYTES or size > entry.file_size:
            raise _too_large(self.name)
        if size > RATIO_FREE_BYTES and size > MAX_RATIO * entry.compress_size:
            raise _too_large(self.name)


def open_package(content: bytes, *, name: str) -> Package:
    """The parts of a workbook file.

    content: the whole file. name: file name for messages. Raises UnusableInput, with the advice
    that fits, when the content is not an .xlsx or .xlsm workbook, is protected by a password, is
    damaged, or is not safe to open.
    """
    if len(content) > MAX_FILE_BYTES:
        raise _too_large(name)
    refuse_other_files(content, name=name)
    package = Package(content, name=name)
    refuse_other_archives(package.parts, name=name)
    return package


def damaged(name: str) -> UnusableInput:
    """The refusal of a file that is incomplete or contradicts itself."""
    return UnusableInput(
        f"{name} is damaged or incomplete: it cannot be read as a workbook. Copy it again from "
        "where it came from, or open it in a spreadsheet program and save it as .xlsx."
    )


def unsafe(name: str, what: str) -> UnusableInput:
    """The refusal of a file that holds what no spreadsheet program writes."""
    return UnusableInput(
        f"{name} was not opened: {what}, which no spreadsheet program writes. Check where the file "
        "comes from; if you trust it, open it in a spreadsheet program and save it as .xlsx."
    )


def _too_large(name: str) -> UnusableInput:
    return UnusableInput(
        f"{name} was not opened: unpacked it is larger than a workbook of case tables can be "
        f"({MAX_INFLATED_BYTES // MIB} MiB, or {MAX_RATIO} times its packed size). Save only the "
        "table sheets as .xlsx, or give a folder of CSV files or a database instead."
    )


def _checked_entries(content: bytes, name: str) -> dict[str, zipfile.ZipInfo]:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            infos = [info for info in archive.infolist() if not info.is_dir()]
    except (zipfile.BadZipFile, ValueError, struct.error, NotImplementedError, EOFError):
        raise damaged(name) from None
    if len(infos) > MAX_PARTS:
        raise unsafe(name, f"it has more than {MAX_PARTS} parts")
    if sum(info.file_size for info in infos) > MAX_INFLATED_BYTES:
        raise _too_large(name)
    entries: dict[str, zipfile.ZipInfo] = {}
    for info in infos:
        part = _checked_name(info.orig_filename, name)
        if part in entries:
            raise unsafe(name, "two of its parts have the same name")
        if info.flag_bits & 1 or info.compress_type not in METHODS:
            raise unsafe(name, "one of its parts is packed in a way that workbooks are not")
        entries[part] = info
    return entries


def _checked_name(part: str, name: str) -> str:
    plain = part.replace("\\", "/")
    pieces = plain.split("/")
    if plain.startswith("/") or ".." in pieces or ":" in plain or "\x00" in plain:
        raise unsafe(name, "the name of one of its parts points outside the workbook")
    return plain.lower()


def _inflated(content: bytes, entry: zipfile.ZipInfo, name: str) -> Iterator[bytes]:
    """The real bytes of one part, however long it says it is."""
    start = entry.header_offset
    header = content[start : start + 30]
    if len(header) < 30 or not header.startswith(LOCAL_HEADER):
        raise damaged(name)
    start += 30 + sum(struct.unpack("<HH", header[26:30]))
    stored = memoryview(content)[start : start + entry.compress_size]
    if len(stored) < entry.compress_size:
        raise damaged(name)
    pieces = (bytes(stored[at : at + CHUNK]) for at in range(0, len(stored), CHUNK))
    if entry.compress_type == zipfile.ZIP_STORED:
        yield from pieces
        return
    unpacker = zlib.decompressobj(-zlib.MAX_WBITS)
    for piece in pieces:
        while piece:
            try:
                chunk = unpacker.decompress(piece, CHUNK)
            except zlib.error:
                raise damaged(name) from None
            piece = unpacker.unconsumed_tail
            if chunk:
                yield chunk
    rest = unpacker.flush()
    if rest:
        yield rest
    if not unpacker.eof:
        raise damaged(name)


def _refuse_unsafe_xml(text: bytes, name: str, *, first: bool) -> None:
    if b"!" in text and (b"<!DOCTYPE" in text or b"<!ENTITY" in text):
        raise unsafe(name, "it holds a document type declaration")
    declared = ENCODING.match(text.removeprefix(b"\xef\xbb\xbf")[:1000]) if first else None
    if declared and declared[1].lower() not in (b"utf-8", b"utf8", b"us-ascii", b"ascii"):
        raise unsafe(name, "its text is not stored as UTF-8")
    if b"\x00" in text:
        raise unsafe(name, "its text is not stored as UTF-8")
