"""Delimited text cut into rows: line numbers, quotation marks, ragged rows, giant lines."""

import io

import numpy as np
import pytest

from asfound.errors import InputError
from asfound.intake import limits
from asfound.intake import rows as rows_module
from asfound.intake.quoting import count_fields, join_row, split_row
from asfound.intake.rows import RowReader


def _read(text, header_line=1, separator=",", encoding="utf-8", short_rows="report"):
    data = text.encode(encoding) if isinstance(text, str) else text
    reader = RowReader(io.BytesIO(data), encoding, separator, header_line, short_rows, "f.csv")
    lines, bad, texts = [], [], []
    for block in reader.blocks():
        checked = reader.check_fields(block)
        bad += block.bad + (checked.bad if checked is not block else [])
        if not len(checked.row):
            continue
        lines += checked.line.tolist()
        ends = [*checked.starts[1:].tolist(), checked.size]
        texts += [
            [cell.decode() for cell in split_row(checked.data[a : b - 1], reader._sep)]
            for a, b in zip(checked.starts.tolist(), ends, strict=True)
        ]
    return reader, lines, texts, bad


def test_line_numbers_stay_right_behind_quoted_line_ends_and_blank_lines():
    reader, lines, texts, bad = _read('a,b\n1,"x\ny"\n\n2,z\n"3","p\n\nq"\n4,w\n')
    assert lines == [2, 5, 6, 9]
    assert texts == [["1", "x\ny"], ["2", "z"], ["3", "p\n\nq"], ["4", "w"]]
    assert (reader.rows, reader.blank_lines, bad) == (4, 1, [])


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_every_line_end_is_understood(end):
    reader, lines, texts, _ = _read(end.join(["# c", "a,b", "1,2", "", "3,4"]), header_line=2)
    assert reader.header == ["a", "b"]
    assert texts == [["1", "2"], ["3", "4"]]
    assert lines == [3, 5]
    assert (reader.comment_lines, reader.blank_lines) == (1, 1)


def test_a_quotation_mark_inside_a_field_is_just_text():
    _, _, texts, bad = _read('a,b\n3\' 6",x\n2" pipe,"y, z"\n5,say ""hi\n')
    assert texts == [["3' 6\"", "x"], ['2" pipe', "y, z"], ["5", 'say ""hi']]
    assert bad == []


def test_a_quotation_mark_that_is_never_closed_costs_one_row_only():
    reader, lines, texts, bad = _read('a,b\n1,2\n3,"open\n5,6\n7,8\n')
    assert lines == [2, 4, 5]
    assert [(item.row, item.line) for item in bad] == [(2, 3)]
    assert "quotation mark" in bad[0].reason
    assert reader.rows == 4
    assert texts[-1] == ["7", "8"]


def test_text_behind_a_closing_quotation_mark_is_reported():
    _, lines, _, bad = _read('a,b\n"x"y,2\n"p" ,4\n')
    assert [item.line for item in bad] == [2]
    assert lines == [3]


def test_ragged_rows_are_reported_with_their_field_count():
    _, lines, _, bad = _read("a,b,c\n1,2\n1,2,3\n1,2,3,4\n1,2,3,,\n")
    assert lines == [3, 5]
    assert [item.reason for item in bad] == [
        "the row has 2 fields, the header has 3.",
        "the row has 4 fields, the header has 3.",
    ]
    assert all(item.remedy for item in bad)


def test_short_rows_are_filled_only_where_the_mapping_says_so():
    _, _, texts, bad = _read("a,b,c\n1,2\n1\n", short_rows="fill")
    assert texts == [["1", "2", ""], ["1", "", ""]]
    assert bad == []


def test_rows_of_separators_only_are_blank_lines():
    reader, _, texts, bad = _read("a,b,c\n,,\n1,2,3\n,,\n   \n")
    assert texts == [["1", "2", "3"]]
    assert (reader.rows, reader.blank_lines, bad) == (1, 3, [])


def test_a_repeated_header_is_reported_as_such():
    _, lines, _, bad = _read("a,b\n1,2\na,b\n3,4\n")
    assert lines == [2, 4]
    assert bad[0].reason == "the row is the header once more."


def test_blanks_may_separate_fields():
    _, _, texts, _ = _read("  a   b\n 1  2 \n3\t4\n", separator=" ")
    assert texts == [["1", "2"], ["3", "4"]]


def test_a_line_longer_than_the_limit_is_one_reported_row_and_is_not_kept():
    long = b"a,b\n1,2\n" + b"x" * (limits.ROW_BYTES * 3) + b"\n3,4\n"
    _, lines, texts, bad = _read(long)
    assert texts == [["1", "2"], ["3", "4"]]
    assert lines == [2, 4]
    assert [(item.row, item.line) for item in bad] == [(2, 3)]
    assert "longer than" in bad[0].reason
    assert len(bad[0].text) < 100


class _Endless(io.RawIOBase):
    """Ten gigabytes of one letter, made as they are read."""

    def __init__(self, size):
        self.left = size

    def read(self, size=-1):
        size = min(size, self.left)
        self.left -= size
        return b"x" * size


def test_a_ten_gigabyte_line_is_refused_after_the_limit_without_reading_on():
    stream = _Endless(10 * 1024**3)
    reader = RowReader(stream, "utf-8", ",", 1, where="big.csv")
    with pytest.raises(InputError, match="longer than") as caught:
        list(reader.blocks())
    assert "line 1" in caught.value.where
    assert stream.left > 9 * 1024**3


@pytest.mark.parametrize("size", [1, 2, 3, 5, 7, 16, 64])
def test_blocks_of_any_size_give_the_same_rows(size, monkeypatch):
    text = 'a,b\r\n1,"x\r\ny"\r\n\r\n2,3\' 6"\r\n"3","p""q"\r\n4\r\n5,\u00e4\r\n'
    whole = _read(text)
    monkeypatch.setattr(rows_module, "BLOCK_BYTES", size)
    parts = _read(text)
    assert parts[1:3] == whole[1:3]
    assert sorted(parts[3], key=lambda b: b.row) == sorted(whole[3], key=lambda b: b.row)
    assert parts[0].rows == whole[0].rows


def test_a_header_line_that_is_not_there_is_an_error():
    with pytest.raises(InputError, match="no line 5"):
        _read("a,b\n1,2\n", header_line=5)


def test_fields_are_split_counted_and_joined_alike():
    for cells in (["a", "", "c"], ['x"y', "1,2", '"'], ["", ""], ["line\nend", "z"]):
        row = join_row([cell.encode() for cell in cells], b",")
        assert [cell.decode() for cell in split_row(row[:-1], b",")] == cells
        assert count_fields(row[:-1], b",") == len(cells)


def test_bytes_that_are_no_text_are_pointed_at():
    reader = RowReader(io.BytesIO(b"a,b\n1,2\n3,\xff\n"), "utf-8", ",", 1)
    block = next(reader.blocks())
    assert np.array_equal(block.undecoded(), [1])
