"""NMEA 0183 logs: sentences cut out, their checksums verified, their fields read.

Works on blocks of bytes with NumPy, so that 20 epochs a second over a working day are read in
seconds. Any talker is taken (GP, GN, GA ...). Sentence layouts: NMEA 0183 as summarised in gpsd's
"NMEA Revealed" (E. S. Raymond); checksum: exclusive or of all bytes between ``$`` and ``*``.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pyarrow as pa
from pyarrow import csv

from asfound.intake.limits import BLOCK_BYTES, ROW_BYTES
from asfound.intake.raw import Data, open_raw
from asfound.intake.row_blocks import BadRow, shown

Integers = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

FIELDS: dict[str, tuple[int, int]] = {
    "GGA": (14, 14),
    "RMC": (9, 13),
    "GST": (8, 8),
    "GSA": (17, 18),
    "VTG": (8, 9),
    "ZDA": (4, 6),
}
"""Least and greatest number of fields after the address, by sentence; versions differ."""

_LF, _CR, _COMMA, _DOLLAR, _STAR = 10, 13, 44, 36, 42
_HEX = np.full(256, -1, np.int16)
_HEX[[*b"0123456789"]] = range(10)
_HEX[[*b"ABCDEF"]] = range(10, 16)
_HEX[[*b"abcdef"]] = range(10, 16)
_SPOILED = "Nothing to mend: the line was spoiled on its way. Check the cable or radio if many are."


@dataclass(frozen=True, eq=False)
class Sentences:
    """All sentences of one kind.

    Parameters
    ----------
    line : (n,) int64
        Physical line of each.
    fields : tuple of Arrow arrays
        Text of each field after the address; missing ones are empty.
    """

    line: Integers
    fields: tuple[pa.Array, ...]

    def __len__(self) -> int:
        return len(self.line)


@dataclass
class Log:
    """A log read: sentences by kind, and the lines that are none.

    Attributes
    ----------
    sentences : dict of str to Sentences
        Of the kinds in `FIELDS`.
    bad : list of BadRow
        Lines left out; they have no row numbers.
    others : int
        Sound sentences of other kinds.
    """

    sentences: dict[str, Sentences] = field(default_factory=dict)
    bad: list[BadRow] = field(default_factory=list)
    others: int = 0


def looks_like_nmea(beginning: bytes) -> bool:
    """Whether most lines of a file's beginning are sentences."""
    lines = [line for line in beginning.split(b"\n")[:200] if line.strip()]
    starts = sum(line.lstrip()[:1] == b"$" and line.count(b",") >= 2 for line in lines)
    return bool(lines) and starts > 0.6 * len(lines)


def read_log(data: Data, name: str) -> Log:
    """All sentences of a log.

    Raises
    ------
    InputError
        If the file can't be opened.
    """
    log = Log()
    parts: dict[str, list[Sentences]] = {kind: [] for kind in FIELDS}
    line, pending, skipping = 1, b"", False
    with open_raw(data, where=name) as stream:
        while chunk := stream.read(BLOCK_BYTES):
            buffer = pending + chunk
            if skipping:
                end = buffer.find(b"\n") + 1
                if not end:
                    pending = b""
                    continue
                buffer, line, skipping = buffer[end:], line + 1, False
            cut = buffer.rfind(b"\n") + 1
            line += _read_block(buffer[:cut], line, log, parts)
            pending = buffer[cut:]
            if len(pending) > ROW_BYTES:
                _bad(log, line, f"the line is longer than {ROW_BYTES} bytes.", pending)
                pending, skipping = b"", True
    if pending:
        _read_block(pending + b"\n", line, log, parts)
    log.bad.sort(key=lambda item: item.line)
    for kind, found in parts.items():
        if found:
            width = max(len(part.fields) for part in found)
            log.sentences[kind] = Sentences(
                np.concatenate([part.line for part in found]),
                tuple(_column(found, k) for k in range(width)),
            )
    return log


def _column(parts: list[Sentences], k: int) -> pa.Array:
    chunks = [
        part.fields[k] if k < len(part.fields) else pa.array([""] * len(part), pa.string())
        for part in parts
    ]
    return pa.concat_arrays(chunks)


def _bad(log: Log, line: int, reason: str, text: bytes) -> None:
    log.bad.append(BadRow(0, line, reason, _SPOILED, shown(text)))


def _read_block(data: bytes, line: int, log: Log, parts: dict[str, list[Sentences]]) -> int:
    """Reads complete lines; returns how many there were."""
    if not data:
        return 0
    cells = np.frombuffer(data, np.uint8)
    ends = np.flatnonzero(cells == _LF)
    starts = np.concatenate([[0], ends[:-1] + 1])
    lines = line + np.arange(len(ends))
    dollar = _first_in(np.flatnonzero(cells == _DOLLAR), starts, ends)
    star = _first_in(np.flatnonzero(cells == _STAR), np.where(dollar >= 0, dollar, starts), ends)
    commas = np.flatnonzero(cells == _COMMA)
    comma = _first_in(commas, np.where(dollar >= 0, dollar, starts), ends)
    sentence = (dollar >= 0) & (star >= 0) & (comma >= 0) & (comma < star) & (comma - dollar >= 4)
    if not data.isascii():
        spoiled = np.searchsorted(ends, np.flatnonzero(cells >= 128))
        sentence[spoiled] = False
    checked = sentence & (star + 2 < ends)
    found = np.full(len(ends), -1)
    where = np.flatnonzero(checked)
    high, low = _HEX[cells[star[where] + 1]], _HEX[cells[star[where] + 2]]
    said = np.where((high >= 0) & (low >= 0), high * 16 + low, -2)
    found[where] = _exclusive_or(cells, dollar[where] + 1, star[where])
    good = np.zeros(len(ends), bool)
    good[where] = found[where] == said
    for i in np.flatnonzero(~good).tolist():
        text = data[starts[i] : ends[i]]
        if text.strip():
            _bad(log, int(lines[i]), _reason(text, bool(checked[i]), int(found[i])), text)
    counts = np.searchsorted(commas, star) - np.searchsorted(commas, dollar)
    kinds = _kinds(cells, comma, good)
    known = np.zeros(len(ends), bool)
    for kind, (least, most) in FIELDS.items():
        code = int.from_bytes(kind.encode(), "big")
        of_kind = good & (kinds == code)
        known |= of_kind
        fits = of_kind & (counts >= least) & (counts <= most)
        for i in np.flatnonzero(of_kind & ~fits).tolist():
            text = data[starts[i] : ends[i]]
            _bad(log, int(lines[i]), f"the {kind} sentence has {counts[i]} fields.", text)
        for count in np.unique(counts[fits]).tolist():
            rows = np.flatnonzero(fits & (counts == count))
            texts = _fields(cells, comma[rows] + 1, star[rows], count)
            parts[kind].append(Sentences(lines[rows], texts))
    log.others += int((good & ~known).sum())
    return len(ends)


def _reason(text: bytes, checked: bool, found: int) -> str:
    if b"$" not in text:
        return "the line is no NMEA sentence."
    if not text.isascii():
        return "the sentence holds bytes that are no ASCII text."
    if not checked:
        return "the sentence has no checksum, or is cut off."
    said = text[text.index(b"*") + 1 :][:2].decode("ascii", "replace") if b"*" in text else ""
    return f"the checksum says {said}, but the line gives {found:02X}."


def _first_in(places: Integers, starts: Integers, ends: Integers) -> Integers:
    """First of some places at or after each start and before each end; -1 for none."""
    if not len(places):
        return np.full(len(starts), -1)
    index = np.searchsorted(places, starts)
    found = places[np.minimum(index, len(places) - 1)]
    return np.where((index < len(places)) & (found < ends), found, -1)


def _exclusive_or(cells: npt.NDArray[np.uint8], starts: Integers, ends: Integers) -> Integers:
    """Exclusive or of the bytes of each range."""
    if not len(starts):
        return np.empty(0, np.int64)
    borders = np.column_stack([starts, ends]).ravel()
    return np.bitwise_xor.reduceat(cells, borders)[::2].astype(np.int64)


def _kinds(cells: npt.NDArray[np.uint8], comma: Integers, good: Flags) -> Integers:
    """The three letters before the first comma, as one number; 0 where there is no sentence."""
    kinds = np.zeros(len(comma), np.int64)
    at = comma[good]
    letters = [cells[at - back].astype(np.int64) for back in (3, 2, 1)]
    kinds[good] = letters[0] << 16 | letters[1] << 8 | letters[2]
    return kinds


def _fields(
    cells: npt.NDArray[np.uint8], starts: Integers, stars: Integers, count: int
) -> tuple[pa.Array, ...]:
    """Texts of the fields of sentences that all have the same number of them."""
    inside = np.zeros(len(cells) + 1, np.int8)
    inside[starts] += 1
    inside[stars + 1] -= 1
    kept = np.cumsum(inside[:-1]) > 0
    text = cells.copy()
    text[stars] = _LF
    table = csv.read_csv(
        pa.py_buffer(text[kept].tobytes()),
        read_options=csv.ReadOptions(
            column_names=[str(k) for k in range(count)], block_size=int(kept.sum()) + 1
        ),
        parse_options=csv.ParseOptions(quote_char=False, ignore_empty_lines=False),
        convert_options=csv.ConvertOptions(
            column_types={str(k): pa.string() for k in range(count)},
            strings_can_be_null=False,
        ),
    )
    if table.num_rows != len(starts):
        raise AssertionError("sentences were lost between cutting and parsing")
    return tuple(_whole(table.column(k)) for k in range(count))


def _whole(column: pa.ChunkedArray) -> pa.Array:
    return column.chunk(0) if column.num_chunks == 1 else pa.concat_arrays(column.chunks)
