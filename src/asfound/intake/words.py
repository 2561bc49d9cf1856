"""Words of files to the closed sets of the trade, and free words to labels.

The words are generic words of the trade: common practice, no source. The colours are the hues of
the APWA Uniform Color Code.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping as Dictionary
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from asfound.intake.numbers import MISSING
from asfound.model import HORIZONTAL_COIL, VERTICAL_COIL, Fix, Labels, Method, Utility

_UTILITY: dict[Utility, str] = {
    Utility.UNKNOWN: "unknown|unk|other|unidentified|unidentified line|unbekannt|not known|grey|"
    "gray|u|pink",
    Utility.ELECTRIC: "electric|electrical|electricity|elec|elect|power|elektro|strom|stromkabel|"
    "e|ep|el|lighting|street light|streetlight|power cable|hv|lv|mv|red|rot|rojo|electricidad|"
    "electricite|traffic signal",
    Utility.GAS: "gas|g|oil|steam|petroleum|natural gas|gas main|gas service|fuel|yellow|gelb|"
    "amarillo|gasleitung|gaz|pipeline",
    Utility.COMMUNICATION: "communication|communications|comm|comms|telecom|telecommunication|"
    "telecommunications|telephone|phone|tel|t|c|fiber|fibre|fiber optic|fibre optic|fo|catv|"
    "cable tv|tv|coax|telekom|data|signal|alarm|orange|naranja|telco|fernmelde|lwl|glasfaser",
    Utility.WATER: "water|w|potable|potable water|water main|water service|drinking water|wasser|"
    "trinkwasser|agua|eau|blue|blau|azul|fire water",
    Utility.RECLAIMED: "reclaimed|reclaimed water|irrigation|slurry|recycled water|non potable|"
    "nonpotable|purple|lila|rw|raw water|brauchwasser",
    Utility.SEWER: "sewer|s|ss|sanitary|sanitary sewer|storm|storm drain|storm sewer|storm water|"
    "stormwater|sd|drain|drainage|force main|forcemain|wastewater|waste water|abwasser|kanal|"
    "schmutzwasser|regenwasser|green|grun|verde|saneamiento|foul|foul sewer|combined sewer",
}
_METHOD: dict[Method, str] = {
    Method.UNKNOWN: "unknown|other|unbekannt",
    Method.DIRECT: "direct|direct connection|direct connect|dc|connected|connection|conductive|"
    "hook up|hookup|direkt|direktanschluss|galvanic|galvanisch|active direct|directa|direct hookup",
    Method.CLAMP: "clamp|clamped|coupler|inductive clamp|toroid|ring clamp|zange|"
    "anlegezange|signal clamp|pinza|clamp on",
    Method.INDUCTION: "induction|induced|inductive|induktion|induktiv|broadcast|ind|induccion",
    Method.PASSIVE_POWER: "passive power|power|passive|50 hz|60 hz|50|60|netz|passiv|mains|"
    "power passive|passive 60 hz|passive 50 hz|passiv strom",
    Method.PASSIVE_RADIO: "passive radio|radio|vlf|rf|radio passive|funk|passiv funk",
    Method.SONDE: "sonde|beacon|probe|transmitter sonde|sonda|camera sonde",
}
_FIX: dict[Fix, str] = {
    Fix.NONE: "0|none|no fix|nofix|invalid|no solution|no position|not available|keine|kein",
    Fix.AUTONOMOUS: "1|autonomous|auto|single|standalone|stand alone|gps|gnss|spp|autonom|"
    "single point|3d|gps fix|uncorrected",
    Fix.DIFFERENTIAL: "2|differential|dgps|dgnss|sbas|diff|waas|egnos|code differential|"
    "differentiell|code",
    Fix.PPS: "3|pps",
    Fix.RTK_FIXED: "4|rtk fixed|fixed|rtk fix|rtkfixed|rtkfix|fix|fixed rtk|r fix|"
    "integer|fest|rtk fest|narrow int|ambiguity fixed|fijo|rtk fixed solution|fixed solution",
    Fix.RTK_FLOAT: "5|rtk float|float|rtkfloat|floating|float rtk|r float|flt|gleitend|"
    "narrow float|flotante|float solution",
    Fix.ESTIMATED: "6|estimated|dead reckoning|dr|estimated dead reckoning|geschatzt|estimado",
    Fix.MANUAL: "7|manual|manuell|manual input|keyed in",
    Fix.SIMULATED: "8|simulated|simulation|simulator|simuliert|simulado",
}
_COIL = {
    HORIZONTAL_COIL: "horizontal|h|hor|peak|max|maximum|x|bx|0|horiz",
    VERTICAL_COIL: "vertical|v|ver|vert|null|min|minimum|z|bz|1",
}
_YES = frozenset(
    [
        "1",
        "y",
        "yes",
        "true",
        "t",
        "saturated",
        "sat",
        "overload",
        "over",
        "ja",
        "j",
        "x",
        "si",
        "clipped",
        "wahr",
    ]
)
_NO = frozenset(["0", "n", "no", "false", "f", "ok", "nein"]) | MISSING


def plain_words(text: str) -> str:
    """Lower case, no accents, single blanks: how words are compared."""
    bare = "".join(
        c for c in unicodedata.normalize("NFKD", text.strip()) if not unicodedata.combining(c)
    )
    return re.sub(r"[\s_\-/.]+", " ", bare.casefold()).strip()


def _table(groups: Dictionary[int, str]) -> dict[str, int]:
    return {word: int(code) for code, words in groups.items() for word in words.split("|")}


WORD_CODES: dict[str, dict[str, int]] = {
    "utility": _table({int(k): v for k, v in _UTILITY.items()}),
    "method": _table({int(k): v for k, v in _METHOD.items()}),
    "fix": _table({int(k): v for k, v in _FIX.items()}),
    "coil": _table(_COIL),
}
"""Code of each known word, by quantity."""

CODE_WORDS: dict[str, dict[str, int]] = {
    "utility": {u.word: int(u) for u in Utility},
    "method": {m.word: int(m) for m in Method},
    "fix": {f.word: int(f) for f in Fix},
    "coil": {"horizontal": HORIZONTAL_COIL, "vertical": VERTICAL_COIL},
}
"""asfound's own words, as mapping files use them on the right-hand side."""

NOT_RECORDED = {"utility": 0, "method": 0, "fix": -1, "coil": -1}


def word_code(quantity: str, word: str, values: Dictionary[str, str]) -> int | None:
    """Code of a word; None if it is not known, the "not recorded" code if it says nothing."""
    given = values.get(word)
    if given is not None:
        return CODE_WORDS[quantity][given]
    plain = plain_words(word)
    for key, target in values.items():
        if plain_words(key) == plain:
            return CODE_WORDS[quantity][target]
    known = WORD_CODES[quantity].get(plain)
    if known is not None:
        return known
    if word.strip().lower() in MISSING:
        return NOT_RECORDED[quantity]
    if quantity in ("utility", "method"):
        # "gas main 2": the one known word in it, if there is just one meaning.
        found = {
            WORD_CODES[quantity][part]
            for part in plain.split()
            if len(part) > 2 and part in WORD_CODES[quantity]
        }
        if len(found) == 1:
            return found.pop()
    return None


@dataclass(frozen=True, eq=False)
class Codes:
    """Codes of n rows, and which rows hold a word that is not known."""

    code: npt.NDArray[np.int8]
    unknown: npt.NDArray[np.bool_]
    labels: Labels


def read_labels(cells: pa.Array) -> Labels:
    """Words of a column; blank cells are "nothing recorded"."""
    if not pa.types.is_dictionary(cells.type):
        if not pa.types.is_string(cells.type):
            cells = cells.cast(pa.string())
        cells = cells.dictionary_encode()
    names = [str(name).strip() for name in pc.fill_null(cells.dictionary, "").to_pylist()]
    index: dict[str, int] = {"": -1}
    lookup = [index.setdefault(name, len(index) - 1) for name in names]
    codes = np.array([*lookup, -1], np.int32)
    taken = np.asarray(pc.fill_null(cells.indices, len(names)), np.int64)
    return Labels(codes[taken], tuple(index)[1:])


def read_codes(cells: pa.Array, quantity: str, values: Dictionary[str, str]) -> Codes:
    """Codes of a column of words."""
    if pa.types.is_floating(cells.type):
        cells = pc.if_else(pc.is_null(cells), pa.scalar(None, pa.string()), cells.cast(pa.string()))
    labels = read_labels(cells)
    found = [word_code(quantity, name, values) for name in labels.names]
    missing = NOT_RECORDED[quantity]
    table = np.array([missing if c is None else c for c in found] + [missing], np.int8)
    unknown = np.array([c is None for c in found] + [False])
    return Codes(table[labels.codes], unknown[labels.codes], labels)


def read_flags(cells: pa.Array) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Yes or no of a column, and which rows say neither."""
    labels = read_labels(cells)
    plain = [name.lower() for name in labels.names]
    yes = np.array([name in _YES for name in plain] + [False])
    neither = np.array([name not in _YES and name not in _NO for name in plain] + [False])
    return yes[labels.codes], neither[labels.codes]


def _counts_up(words: pa.Array) -> bool:
    """Whether words are numbers that count up, as point numbers mostly do: all are different."""
    if len(words) < 2 or words.null_count:
        return False
    try:
        words.slice(0, 100).cast(pa.int64())  # a cast that fails is slow on many words
        numbers = np.asarray(words.cast(pa.int64()))
    except pa.ArrowInvalid:
        return False
    return bool((np.diff(numbers) > 0).all())


class LabelsBuilder:
    """Labels of many blocks as one column.

    Text is gathered as it is and encoded once: a million different point names are then made
    into Python words only once.
    """

    def __init__(self) -> None:
        self._chunks: list[pa.Array] = []

    def add(self, cells: pa.Array) -> None:
        """Takes in the cells of one block."""
        if pa.types.is_dictionary(cells.type):
            cells = cells.cast(pa.string())
        self._chunks.append(cells if pa.types.is_string(cells.type) else cells.cast(pa.string()))

    def done(self) -> Labels:
        """All cells taken in, as labels."""
        size = sum(chunk.nbytes for chunk in self._chunks)
        # A plain string array holds at most 2 GiB.
        kind = pa.string() if size < 2**30 else pa.large_string()
        chunks = pa.chunked_array(self._chunks, pa.string()).cast(kind)
        self._chunks = []
        combined = chunks.combine_chunks()
        if isinstance(combined, pa.ChunkedArray):
            combined = pa.concat_arrays(combined.chunks) if combined.num_chunks else None
        if combined is None:
            return Labels.missing(0)
        if _counts_up(combined):
            names = combined.to_numpy(zero_copy_only=False).tolist()
            return Labels(np.arange(len(names), dtype=np.int32), tuple(names))
        # One encoding of all is ten times faster than unifying those of the blocks.
        encoded = combined.dictionary_encode()
        codes = np.asarray(pc.fill_null(encoded.indices, -1), np.int32)
        words = encoded.dictionary
        trimmed = pc.utf8_trim_whitespace(words)
        names = trimmed.to_numpy(zero_copy_only=False).tolist()
        if trimmed.equals(words) and "" not in names:
            return Labels(codes, tuple(names))
        index: dict[str, int] = {"": -1}
        lookup = [index.setdefault(name, len(index) - 1) for name in names]
        return Labels(np.array([*lookup, -1], np.int32)[codes], tuple(index)[1:])
