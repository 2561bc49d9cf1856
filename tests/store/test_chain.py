"""The arithmetic of a ledger, without a database: no change of an entry goes unseen."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from asfound.errors import InputError
from asfound.store import Entry, Head
from asfound.store.canonical import canonical_json
from asfound.store.ledger import (
    FIRST_PREVIOUS,
    entry_from_line,
    entry_hash,
    make_entry,
    time_text,
    verify_chain,
)
from asfound.store.merkle import leaf_hash
from asfound.store.release import head_at

MOMENT = datetime(2026, 11, 25, 16, 0, tzinfo=UTC)

texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
payloads = st.dictionaries(
    texts,
    st.recursive(
        st.none() | st.booleans() | st.integers(-(10**9), 10**9) | st.floats(-1e9, 1e9) | texts,
        lambda inner: st.lists(inner, max_size=3),
        max_leaves=5,
    ),
    max_size=3,
)


@st.composite
def ledgers(draw: st.DrawFn) -> list[Entry]:
    entries: list[Entry] = []
    for number in range(1, draw(st.integers(2, 6)) + 1):
        previous = entries[-1].hash if entries else FIRST_PREVIOUS
        moment = MOMENT + timedelta(seconds=number)
        key = draw(st.none() | st.just(f"k{number}"))
        who, action = draw(st.sampled_from(["ana", "bo"])), draw(st.sampled_from(["x", "y-z"]))
        entries.append(
            make_entry("elm", number, moment, who, action, draw(payloads), previous, key)
        )
    return entries


def sound(entries: list[Entry], head: Head) -> bool:
    return verify_chain(entries, "elm", expected=head).sound


@given(ledgers())
def test_a_ledger_as_it_was_written_holds(entries: list[Entry]) -> None:
    assert sound(entries, head_at(entries, len(entries)))
    for entry in entries:
        assert entry.hash == entry_hash(entry) == leaf_hash(entry.line.encode()).hex()
        assert entry_from_line(entry.line) == entry
        # The line is put together from parts; whole, it must be canonical too.
        tree = {
            field.name: getattr(entry, field.name)
            for field in fields(entry)
            if field.name not in ("hash", "payload_json")
        }
        assert entry.line == canonical_json({**tree, "payload": entry.payload})


@given(ledgers(), st.data())
def test_a_flipped_bit_of_any_field_is_found(entries: list[Entry], data: st.DataObject) -> None:
    head = head_at(entries, len(entries))
    place = data.draw(st.integers(0, len(entries) - 1))
    entry = entries[place]
    names = [f.name for f in fields(entry) if getattr(entry, f.name) not in (None, "")]
    name = data.draw(st.sampled_from(names))
    value = getattr(entry, name)
    if isinstance(value, int):
        changed: object = value ^ 1 << data.draw(st.integers(0, 20))
    else:
        raw = bytearray(value.encode())
        raw[data.draw(st.integers(0, len(raw) - 1))] ^= 1 << data.draw(st.integers(0, 7))
        changed = raw.decode("utf-8", "surrogateescape")
    entries[place] = replace(entry, **{name: changed})
    assert not sound(entries, head)


@given(ledgers(), st.data())
def test_entries_taken_out_put_in_moved_or_cut_off_are_found(
    entries: list[Entry], data: st.DataObject
) -> None:
    head = head_at(entries, len(entries))
    one = data.draw(st.integers(0, len(entries) - 1))
    other = data.draw(st.integers(0, len(entries) - 1))
    assert not sound([*entries[:one], *entries[one + 1 :]], head), "taken out"
    assert not sound([*entries[:one], entries[other], *entries[one:]], head), "put in"
    assert not sound(entries[:one], head), "cut off"
    if one != other:
        moved = [*entries]
        moved[one], moved[other] = moved[other], moved[one]
        assert not sound(moved, head), "swapped"


@given(ledgers(), st.data())
def test_a_ledger_written_anew_from_some_entry_on_is_found_by_a_held_head(
    entries: list[Entry], data: st.DataObject
) -> None:
    held = head_at(entries, len(entries))
    place = data.draw(st.integers(0, len(entries) - 1))
    forged = entries[:place]
    for entry in entries[place:]:
        previous = forged[-1].hash if forged else FIRST_PREVIOUS
        body = {**entry.payload, "forged": True}
        number = len(forged) + 1
        forged.append(make_entry("elm", number, MOMENT, "eve", entry.action, body, previous))
    assert verify_chain(forged, "elm").sound, "in itself it holds"
    assert not verify_chain(forged, "elm", heads=[held]).sound


@given(ledgers())
def test_heads_that_were_true_are_held_for_good(entries: list[Entry]) -> None:
    heads = [head_at(entries, size) for size in range(1, len(entries) + 1)]
    assert verify_chain(entries, "elm", heads=heads).sound
    assert not verify_chain(entries[:-1], "elm", heads=heads).sound


@pytest.mark.parametrize(
    "line",
    [
        "",
        "{}",
        "null",
        "[]",
        "not json",
        '{"action":"x","job":"elm","key":null,"payload":{},"previous":"","sequence":1,"time":""}',
        '{"action": "x","job":"e","key":null,"payload":{},"previous":"","sequence":1,"time":"",'
        '"who":"a"}',
    ],
)
def test_lines_that_are_no_entry_are_refused(line: str) -> None:
    with pytest.raises(InputError):
        entry_from_line(line)


def test_times_are_written_in_utc() -> None:
    there = timezone(timedelta(hours=-6))
    assert time_text(datetime(2026, 11, 25, 10, 0, tzinfo=there)) == "2026-11-25T16:00:00.000000Z"
    with pytest.raises(InputError):
        time_text(datetime(2026, 11, 25, 10, 0))
    entry = make_entry("elm", 1, MOMENT, "ana", "x", {}, FIRST_PREVIOUS)
    assert entry.moment == MOMENT


def test_a_head_beyond_the_ledger_is_refused() -> None:
    entry = make_entry("elm", 1, MOMENT, "ana", "x", {}, FIRST_PREVIOUS)
    for size in (0, 2):
        with pytest.raises(InputError):
            head_at([entry], size)
