"""Sweeps from delimited text."""

import numpy as np
import pytest

from asfound.em.inversion import SweepReadings, invert_sweeps
from asfound.intake import guess_mapping, read_upload
from asfound.model import HORIZONTAL_COIL, VERTICAL_COIL, Utility

HEADER = (
    "Sweep,Time (UTC),Utility,Coil,Coil height (m),Tape (ft in),Reading (mA),Saturated,"
    "Start lat,Start lon,Start height (m),End lat,End lon,Tape end (ft)"
)
ENDS = ",39.2,-98.1,405.1,39.20003,-98.1,10"


def _read(*rows, header=HEADER):
    data = "\n".join([header, *rows, ""]).encode()
    guess = guess_mapping(data, "s.csv", hints={"frame": "NAD83(2011)"})
    assert guess.mapping.kind == "sweeps"
    assert guess.ambiguities == ()
    return read_upload(data, "s.csv", guess.mapping, tag="A", source_index=2)


def test_rows_become_sweeps_by_name_with_ends_given_once():
    upload = _read(
        f"S1,2026-11-17T14:00:00Z,gas,horizontal,0.05,0' 0\",12.5,no{ENDS}",
        "S2,,water,vertical,0.05,0' 0\",9,no,39.3,-98.2,,39.30003,-98.2,10",
        "S1,,,vertical,0.05,2' 6\",7.5,no,,,,,,",
        "S1,,,h,0.45,5' 0\",,yes,,,,,,",
    )
    first, second = upload.sweeps
    assert (first.name, second.name) == ("S1", "S2")
    assert first.rows.tolist() == [1, 3, 4]
    assert first.position == pytest.approx([0, 0.762, 1.524])
    assert first.coil.tolist() == [HORIZONTAL_COIL, VERTICAL_COIL, HORIZONTAL_COIL]
    assert first.value[:2].tolist() == [12.5, 7.5]
    assert np.isnan(first.value[2])
    assert first.saturated.tolist() == [False, False, True]
    assert first.unit == "mA"
    assert first.start == pytest.approx([-98.1, 39.2, 405.1])
    assert np.isnan(first.end[2])
    assert first.length == pytest.approx(3.048)
    assert first.utility == Utility.GAS
    assert first.time == np.datetime64("2026-11-17T14:00:00", "us")
    assert (first.source, second.utility) == (2, Utility.WATER)
    account = upload.account
    assert (account.rows, account.shots, account.sweep_readings, account.reported) == (4, 0, 4, 0)


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ("S1,,,sideways,0.05,1' 0\",7.5,no,,,,,,", "neither horizontal nor vertical"),
        ("S1,,,h,-1,1' 0\",7.5,no,,,,,,", "coil height"),
        ("S1,,,h,0.05,,7.5,no,,,,,,", "position"),
        ("S1,,,h,0.05,1' 0\",,no,,,,,,", "reading"),
        (",,,h,0.05,1' 0\",7,no,,,,,,", "which sweep"),
        ("S9,,,h,0.05,1' 0\",7,no,,,,,,", "can't be placed"),
        ("S9,,,h,0.05,1' 0\",7,no,95,-98.1,,39.2,-98.1,10", "can't be placed"),
        ("S9,,,h,0.05,1' 0\",7,no,39.2,-98.1,,39.2,-98.1,10", "same coordinates"),
        ("S9,,,h,0.05,1' 0\",7,no,39.2,-98.1,,39.2001,-98.1,-1", "not beyond its zero"),
    ],
)
def test_rows_that_are_no_readings_are_reported(row, reason):
    upload = _read(f"S1,,gas,horizontal,0.05,0' 0\",12.5,no{ENDS}", row)
    (report,) = [r for r in upload.reports if not r.accepted]
    assert (report.row, report.line_number) == (2, 3)
    assert reason in report.reason
    assert report.remedy
    assert upload.account.sweep_readings == 1


def test_a_tape_without_length_ends_at_its_last_reading():
    header = HEADER.replace(",Tape end (ft)", "")
    rows = [f"S1,,gas,h,0.05,{feet}' 0\",5,no,39.2,-98.1,,39.20003,-98.1" for feet in (0, 3, 9)]
    upload = _read(*rows, header=header)
    assert upload.sweeps[0].length == pytest.approx(2.7432)
    assert any("tape reading at its far end" in r.reason for r in upload.reports)


class TestCeiling:
    """Readings cut off at the top, of a line 1.2 m deep at 2.3 m (Bx = K I z / r^2)."""

    PLACE = np.arange(0.0, 4.9, 0.3)

    def field(self, place, size=100.0):
        across, below = place - 2.3, 1.25
        return size * below**2 / (across**2 + below**2)

    def sweep(self, values, unit="%", saturated=None):
        header = (
            f"Sweep,Coil,Coil height (m),Tape (m),Reading ({unit}),Start lat,Start lon,End lat,"
            "End lon,Tape end (m)" + (",Saturated" if saturated else "")
        )
        tail = "39.2,-98.1,39.20004,-98.1,4.8" + (f",{saturated}" if saturated else "")
        rows = [
            f"S1,horizontal,0.05,{place:.2f},{value:g},{tail}"
            for place, value in zip(self.PLACE, values, strict=True)
        ]
        upload = _read(*rows, header=header)
        return upload.sweeps[0], upload.reports

    def test_per_cent_at_full_scale_are_at_least_that_much(self):
        values = np.minimum(np.round(self.field(self.PLACE, 130.0)), 100)
        sweep, reports = self.sweep(values)
        assert sweep.saturated.tolist() == (values == 100).tolist()
        assert sweep.saturated.sum() >= 3
        assert all(report.accepted and "at least" in report.reason for report in reports)

    def test_a_flat_top_is_recognised_in_any_unit(self):
        values = np.minimum(np.round(self.field(self.PLACE, 40.0), 1), 30.0)
        sweep, _ = self.sweep(values, "mA")
        assert sweep.saturated.tolist() == (values == 30.0).tolist()

    @pytest.mark.parametrize("unit", ["mA", "%"])
    def test_a_peak_that_is_coarsely_read_is_not_cut_off(self, unit):
        # Whole units: some readings beside the peak are equal to it.
        values = np.round(self.field(self.PLACE, 20.0))
        assert (values == values.max()).sum() >= 2
        sweep, reports = self.sweep(values, unit)
        assert not sweep.saturated.any()
        assert reports == ()

    def test_per_cent_above_a_hundred_say_that_a_hundred_is_no_ceiling(self):
        values = self.field(self.PLACE, 140.0).round(1)
        values[3] = 100.0
        assert not self.sweep(values)[0].saturated.any()

    def test_what_the_file_itself_says_counts(self):
        values = np.minimum(np.round(self.field(self.PLACE, 130.0)), 100)
        assert not self.sweep(values, saturated="no")[0].saturated.any()

    def test_the_fit_then_finds_the_one_line_that_is_there(self):
        values = np.minimum(np.round(self.field(self.PLACE, 130.0)), 100)
        sweep, _ = self.sweep(values)
        fits = invert_sweeps(
            [
                SweepReadings(
                    position=sweep.position,
                    coil_height=sweep.coil_height,
                    coil=sweep.coil,
                    value=sweep.value,
                    unit=sweep.unit,
                    signed=False,
                    saturated=sweep.saturated,
                    name=sweep.name,
                )
            ]
        )
        assert fits.n_conductors[0] == 1
        assert fits.position[0, 0] == pytest.approx(2.3, abs=0.05)
        assert fits.depth[0, 0] == pytest.approx(1.2, abs=0.1)


def test_a_reading_without_unit_is_asked_for_in_units_of_readings():
    header = HEADER.replace("Reading (mA)", "Reading")
    data = f"{header}\nS1,,gas,h,0.05,1' 0\",3.65,no{ENDS}\n".encode()
    hints = {"frame": "NAD83(2011)"}
    (asked,) = guess_mapping(data, "s.csv", hints=hints).ambiguities
    assert asked.field == "reading"
    assert "names no unit" in asked.what
    assert all(unit in asked.remedy for unit in ("mA", "percent", "dB", "nT"))
    guess = guess_mapping(data, "s.csv", hints={**hints, "units": {"Reading": "nT"}})
    assert guess.ambiguities == ()
    assert guess.mapping.columns["reading"].unit == "nT"


def test_a_table_typed_from_a_tape_is_a_sweep_that_lacks_its_ends():
    data = b"Tape (m),Reading (%)\n0.0,23\n0.6,35\n1.2,57\n"
    guess = guess_mapping(data, "typed.csv", hints={"frame": "NAD83(2011)"})
    assert guess.mapping.kind == "sweeps"
    what = " ".join(doubt.what for doubt in guess.ambiguities)
    for words in ("tape's start", "tape's end", "coil"):
        assert words in what
