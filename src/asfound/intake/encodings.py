"""Text of any encoding as blocks of UTF-8 with plain line ends."""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from typing import BinaryIO

from asfound.errors import InputError

ENCODINGS = (
    "utf-8",
    "utf-16",
    "utf-16-le",
    "utf-16-be",
    "windows-1252",
    "iso-8859-1",
    "iso-8859-15",
    "cp437",
    "cp850",
    "mac-roman",
)
REPLACEMENT = "\ufffd".encode()
"""What stands for bytes that are not text in the declared encoding."""

_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_KNOWN_BINARY = (
    (b"PK\x03\x04", "a zip archive or a workbook", "Unpack it, or save the sheet as CSV."),
    (b"\xd0\xcf\x11\xe0", "an old office document", "Save the sheet as CSV."),
    (b"%PDF", "a PDF document", "Export the table as CSV from where the PDF was made."),
    (b"\x1f\x8b", "a gzip archive", "Unpack it."),
    (b"\x89PNG", "a picture", "Give the file with the readings."),
    (b"\xff\xd8\xff", "a picture", "Give the file with the readings."),
    (b"SQLite format 3\x00", "a SQLite database", "If it is a GeoPackage, name it .gpkg."),
    (b"PAR1", "a Parquet file", "Export it as CSV."),
)  # fmt: skip


def detect_encoding(head: bytes, *, complete: bool, where: str) -> str:
    """Encoding of the beginning of a file.

    UTF-16 is known by its byte order mark. What is valid UTF-8 is UTF-8; anything else without
    zero bytes is taken as Windows-1252, in which nearly every byte is a letter.

    Raises
    ------
    InputError
        If the file is empty or not text.
    """
    for mark, encoding in _MARKS:
        if head.startswith(mark):
            return encoding
    for magic, kind, remedy in _KNOWN_BINARY:
        if head.startswith(magic):
            raise InputError(f"not delimited text but {kind}.", where=where, remedy=remedy)
    if b"\x00" in head:
        zeros = (head[0::2].count(0), head[1::2].count(0))
        half = max(len(head) // 2, 1)
        if max(zeros) > 0.4 * half and min(zeros) < 0.05 * half:
            name = "utf-16-be" if zeros[0] > zeros[1] else "utf-16-le"
            raise InputError(
                "looks like UTF-16 text, but has no byte order mark.",
                where=where,
                remedy=f'Set encoding = "{name}" in the mapping file, or save it as UTF-8.',
            )
        raise InputError(
            f"not text: it holds zero bytes (the first at byte {head.index(0)}).",
            where=where,
            remedy="Give the text file that the receiver or its software exports.",
        )
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        decoder.decode(head, final=complete)
    except UnicodeDecodeError:
        return "windows-1252"
    return "utf-8"


def utf8_blocks(
    stream: BinaryIO, encoding: str, size: int, *, where: str
) -> Iterator[tuple[bytes, bool]]:
    """Blocks of text as UTF-8, and whether it is the last block.

    No block ends within CRLF. Bytes that are not text become U+FFFD, for the rows to be remarked
    on.
    """
    if encoding not in ENCODINGS:
        raise InputError(
            f"'{encoding}' is not an encoding asfound reads.",
            where=where,
            remedy=f"Use one of {', '.join(ENCODINGS)}.",
        )
    decoder = codecs.getincrementaldecoder("utf-8-sig" if encoding == "utf-8" else encoding)(
        errors="replace"
    )
    ascii_so_far, first = False, True
    held = b""
    raw = stream.read(size)
    while True:
        following = stream.read(size) if raw else b""
        last = not following
        if ascii_so_far and encoding == "utf-8" and raw.isascii():
            block = raw
        else:
            try:
                text = decoder.decode(raw, final=last)
            except UnicodeError as error:
                raise InputError(
                    f"not readable as {encoding}: {error}.",
                    where=where,
                    remedy="Set the right encoding in the mapping file.",
                ) from error
            if first:
                text = text.removeprefix("\ufeff")
            block = text.encode("utf-8", errors="replace")
            # Only when the decoder holds no half character may the next block pass it by.
            ascii_so_far = decoder.getstate()[0] == b"" and raw.isascii() and len(raw) > 3
        first = False
        block = held + block
        held = b""
        if not last and block.endswith(b"\r"):
            block, held = block[:-1], b"\r"
        yield block, last
        if last:
            return
        raw = following
