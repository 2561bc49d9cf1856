"""Guessing the mapping of many layouts, all invented: titles, order, units, separators.

Every layout describes the same first shot: 39.27 N 98.04 W (or 600000 E 4350000 N), depth 1.2192 m
(4 ft), so what was guessed is checked by what is read.
"""

import numpy as np
import pytest

from asfound.intake import guess_mapping, mapping_from_toml, mapping_to_toml, read_upload
from asfound.model import Fix, Utility

GRID = "EPSG:26914"  # UTM zone 14N, metres
FEET = "EPSG:6467"  # a State Plane zone in US survey feet
US_FOOT = 1200 / 3937  # NIST SP 811, appendix B

LAYOUTS = {
    "comma, plain words": (
        "Point,Latitude,Longitude,Depth (m),Utility\n1,39.27,-98.04,1.2192,gas\n",
        {},
    ),
    "units behind an underscore": (
        "PT_NO,LAT_DEG,LON_DEG,DEPTH_FT,UTIL_TYPE,UTILITY\n1,39.27,-98.04,4.0,x,gas\n",
        {},
    ),
    "run-together titles": (
        "pointId,latDeg,lonDeg,depthFt,utilityType\n1,39.27,-98.04,4.0,gas\n",
        {},
    ),
    "degrees, minutes, seconds with letters": (
        'ID;Lat (DD MM SS.ssss N);Long (DDD MM SS.ssss W);Depth ft in;Service\n'
        '1;39 16 12.0000 N;98 02 24.0000 W;4\' 0";gas\n',
        {},
    ),
    "degree marks and quoted quotation marks": (
        'Nr,Latitude,Longitude,Depth (ft in),Utility\n'
        '1,"39\u00b016\'12.0""N","98\u00b002\'24.0""W","4\' 0""",gas\n',
        {},
    ),
    "German, semicolon, decimal comma": (
        "Nr;Breite;L\u00e4nge;Tiefe m;Strom mA;Sparte\n1;39,27;-98,04;1,2192;55,5;Gas\n",
        {},
    ),
    "French titles": (
        "No;Latitude;Longitude;Profondeur (m);Courant (mA);Reseau\n1;39,27;-98,04;1,2192;55;gaz\n",
        {},
    ),
    "Spanish titles": (
        "Punto,Latitud,Longitud,Profundidad (m),Corriente (mA),Servicio\n"
        "1,39.27,-98.04,1.2192,55,gas\n",
        {},
    ),
    "tab": (
        "Shot\tLat\tLon\tEM depth [m]\tUtility\n1\t39.27\t-98.04\t1.2192\tgas\n",
        {},
    ),
    "vertical bar": (
        "shot no|lng|lat|depth [cm]|utility\n1|-98.04|39.27|121.92|gas\n",
        {},
    ),
    "runs of blanks": (
        "PT      LAT       LON        DEPTH_M   UTILITY\n1   39.27000  -98.04000  1.2192    gas\n",
        {},
    ),
    "hemisphere letters in columns of their own": (
        "Pt,Lat,N/S,Lon,E/W,Depth m,Utility\n1,39.27,N,98.04,W,1.2192,gas\n",
        {},
    ),
    "hemisphere declared": (
        "Pt,Lat,Lon,Depth m,Utility\n1,39.27,98.04,1.2192,gas\n",
        {"units": {"Lon": "deg W"}},
    ),
    "degrees and minutes written together": (
        "Pt,Latitude,Longitude,Depth m,Utility\n1,3916.20000,-9802.40000,1.2192,gas\n",
        {},
    ),
    "degrees, minutes, seconds written together": (
        "Pt,Lat ddmmss.ssss,Lon dddmmss.ssss,Depth m,Utility\n"
        "1,391612.0000,-0980224.0000,1.2192,gas\n",
        {},
    ),
    "three columns for an angle": (
        "Pt,Lat deg,Lat min,Lat sec,Lon deg,Lon min,Lon sec,Depth m,Utility\n"
        "1,39,16,12.0,-98,2,24.0,1.2192,gas\n",
        {},
    ),
    "feet and inches in two columns": (
        "Pt,Lat,Lon,Depth ft,Depth in,Utility\n1,39.27,-98.04,3,12,gas\n",
        {},
    ),
    "inches": (
        "Pt,Lat,Lon,Depth (inches),Utility\n1,39.27,-98.04,48,gas\n",
        {},
    ),
    "unit in each cell": (
        "Pt,Lat,Lon,Depth m,Utility\n1,39.27,-98.04,4 ft,gas\n2,39.27,-98.04,1.3 m,gas\n",
        {},
    ),
    "unit declared": (
        "Pt,Lat,Lon,Depth,Utility\n1,39.27,-98.04,4,gas\n",
        {"units": {"Depth": "ft"}},
    ),
    "unit in a column of its own": (
        "Pt,Lat,Lon,Depth,Depth unit,Utility\n1,39.27,-98.04,4,ft,gas\n",
        {},
    ),
    "depths as negative numbers": (
        "Pt,Lat,Lon,Depth (m),Utility\n1,39.27,-98.04,-1.2192,gas\n",
        {"units": {"Depth (m)": "m negative"}},
    ),
    "unit known by the values": (
        "Pt,Lat,Lon,Depth,Utility\n1,39.27,-98.04,121.92,gas\n2,39.27,-98.04,12.5,gas\n"
        "3,39.27,-98.04,540,gas\n",
        {"units": {"Depth": "cm"}},
    ),
    "grid in metres": (
        "Pt,Easting (m),Northing (m),Depth (m),Utility\n1,600000,4350000,1.2192,gas\n",
        {"frame": GRID},
    ),
    "grid, northing first, no unit": (
        "P,N,E,Depth m,Code\n1,4350000.000,600000.000,1.2192,G\n",
        {"frame": GRID},
    ),
    "grid in US survey feet": (
        "Pt,Northing (ftUS),Easting (ftUS),Depth (ft),Utility\n1,4350000,600000,4,gas\n",
        {"frame": FEET},
    ),
    "grid in feet that are the frame's": (
        "Pt,Northing ft,Easting ft,Depth ft,Utility\n1,4350000,600000,4,gas\n",
        {"frame": FEET},
    ),
    "metres of a frame in feet": (
        f"Pt,Northing (m),Easting (m),Depth (m),Utility\n"
        f"1,{4350000 * US_FOOT:.9f},{600000 * US_FOOT:.9f},1.2192,gas\n",
        {"frame": FEET},
    ),
    "x and y that are degrees": (
        "fid,x,y,depth_m,utility\n1,-98.04,39.27,1.2192,gas\n2,-98.05,39.28,1.0,gas\n",
        {},
    ),
    "both pairs of axes": (
        "Pt,Lat,Lon,Easting,Northing,Depth m,Utility\n1,39.27,-98.04,600000,4350000,1.2192,gas\n",
        {},
    ),
    "comments and a title before the header": (
        "# logged by crew 3\n# frame: ITRF2020 epoch 2026.9\nDay sheet\n"
        "Pt,Lat,Lon,Depth m,Utility\n1,39.27,-98.04,1.2192,gas\n2,39.27,-98.04,1.3,gas\n",
        {"frame": ""},
    ),
    "header in a comment": (
        "# Pt,Lat,Lon,Depth m,Utility\n1,39.27,-98.04,1.2192,gas\n2,39.28,-98.04,1.2,gas\n",
        {},
    ),
    "frame in the titles": (
        "Pt,NAD83(2011) Latitude,NAD83(2011) Longitude,Depth m,Utility\n"
        "1,39.27,-98.04,1.2192,gas\n",
        {"frame": ""},
    ),
    "frame in a column": (
        "Pt,Lat,Lon,CRS,Depth m,Utility\n1,39.27,-98.04,EPSG:6318,1.2192,gas\n",
        {"frame": ""},
    ),
    "time before everything": (
        "UTC,Depth m,Utility,Lon,Lat,Name\n2026-11-17T14:00:00Z,1.2192,gas,-98.04,39.27,a\n",
        {"frame": "ITRF2020"},
    ),
    "colours of the trade": (
        "Pt,Lat,Lon,Depth m,APWA colour\n1,39.27,-98.04,1.2192,yellow\n",
        {},
    ),
}  # fmt: skip


@pytest.mark.parametrize("layout", LAYOUTS)
def test_layouts_are_guessed_without_ambiguity_and_read_right(layout):
    text, hints = LAYOUTS[layout]
    hints = {"frame": "NAD83(2011)", **hints}
    guess = guess_mapping(text.encode(), "shots.txt", hints=hints)
    assert guess.ambiguities == ()
    upload = read_upload(text.encode(), "shots.txt", guess.mapping, tag="A", source_index=0)
    shots = upload.shots
    assert [report.reason for report in upload.reports if not report.accepted] == []
    expected = (600000, 4350000) if hints["frame"] in (GRID, FEET) else (-98.04, 39.27)
    assert (shots.x[0], shots.y[0]) == pytest.approx(expected, abs=1e-8)
    assert shots.depth[0] == pytest.approx(1.2192, abs=1e-9)
    assert shots.utility[0] == Utility.GAS
    assert mapping_from_toml(mapping_to_toml(guess.mapping), "m").columns == guess.mapping.columns


def test_the_layouts_are_as_many_as_promised():
    assert len(LAYOUTS) >= 25


@pytest.mark.parametrize(
    ("encoding", "mark"),
    [("utf-8", b""), ("utf-8", b"\xef\xbb\xbf"), ("utf-16", b""), ("windows-1252", b"")],
)
def test_encodings_are_recognised(encoding, mark):
    text = "Nr;Breite;L\u00e4nge;Tiefe m;Bemerkung\r\n1;39,27;-98,04;1,2;Gr\u00fcner H\u00fcgel\r\n"
    data = mark + text.encode(encoding)
    guess = guess_mapping(data, "f.csv", hints={"frame": "NAD83(2011)"})
    upload = read_upload(data, "f.csv", guess.mapping, tag="A", source_index=0)
    assert upload.shots.note.word(0) == "Gr\u00fcner H\u00fcgel"
    assert upload.shots.x[0] == -98.04
    assert upload.account.rows == 1


def test_every_quantity_of_a_shot_can_be_read():
    header = (
        "Point,Time (UTC),Latitude,Longitude,Ellipsoidal height (ft),Fix type,Sats,PDOP,HDOP,"
        "Diff age (s),Baseline (km),SD E (mm),SD N (mm),SD U (mm),Pole height (ft),Tilt (deg),"
        "Tilt azimuth (deg),Speed (km/h),Utility,Line,Hook-up,Method,Frequency (kHz),Depth (in),"
        "Current (A),Gain (dB),Peak-null (cm),Receiver serial,Control point,Note"
    )
    row = (
        "7,2026-11-17T14:00:00.5Z,39.27,-98.04,1000,RTK float,14,1.4,0.8,2.5,6.4,9,8,15,6.5,2,90,"
        '3.6,electric,E1,cabinet 4,clamp,8.192,48,0.05,42,-12,SN-1,CP1,"a, b"'
    )
    data = f"{header}\n{row}\n".encode()
    guess = guess_mapping(data, "f.csv", hints={"frame": "NAD83(2011)"})
    assert guess.ambiguities == ()
    assert guess.unused() == ()
    shots = read_upload(data, "f.csv", guess.mapping, tag="B", source_index=3).shots
    assert shots.name.word(0) == "7"
    assert shots.time[0] == np.datetime64("2026-11-17T14:00:00.5", "us")
    assert shots.height[0] == pytest.approx(304.8)
    assert (shots.fix[0], shots.satellites[0]) == (Fix.RTK_FLOAT, 14)
    assert (shots.pdop[0], shots.hdop[0], shots.correction_age[0]) == (1.4, 0.8, 2.5)
    assert shots.base_distance[0] == pytest.approx(6400)
    sds = (shots.east_sd[0], shots.north_sd[0], shots.up_sd[0])
    assert sds == pytest.approx((0.009, 0.008, 0.015))
    assert shots.antenna_height[0] == pytest.approx(6.5 * 0.3048)
    assert shots.tilt[0] == pytest.approx(np.radians(2))
    assert shots.tilt_bearing[0] == pytest.approx(np.pi / 2)
    assert shots.speed[0] == pytest.approx(1.0)
    assert (shots.utility[0], shots.method[0]) == (Utility.ELECTRIC, 2)
    assert (shots.line.word(0), shots.hookup.word(0)) == ("E1", "cabinet 4")
    assert shots.frequency[0] == pytest.approx(8192)
    assert shots.depth[0] == pytest.approx(1.2192)
    assert (shots.current[0], shots.signal[0]) == (0.05, 42)
    assert shots.peak_null_separation[0] == pytest.approx(0.12)
    assert (shots.receiver.word(0), shots.control.word(0)) == ("SN-1", "CP1")
    assert shots.note.word(0) == "a, b"
    assert (shots.source[0], shots.row[0], shots.line_number[0]) == (3, 1, 2)


def test_a_file_without_header_is_left_open_with_its_columns_numbered():
    data = b"1,39.2712345,-98.0412345,1.2\n2,39.2712350,-98.0412350,1.3\n"
    guess = guess_mapping(data, "f.csv", hints={"frame": "NAD83(2011)"})
    assert "no header" in guess.ambiguities[0].what
    assert guess.mapping.header_line == 0
    assert guess.mapping.columns["latitude"].column == 2
    assert guess.mapping.columns["longitude"].column == 3
    text = mapping_to_toml(guess.mapping) + '\n[columns.depth]\ncolumn = 4\nunit = "m"\n'
    upload = read_upload(data, "f.csv", mapping_from_toml(text, "m"), tag="A", source_index=0)
    assert upload.shots.depth.tolist() == [1.2, 1.3]
    assert upload.shots.line_number.tolist() == [1, 2]


def test_accuracies_are_brought_to_one_sigma_per_axis(read):
    # 95 % of a circle lies within 2.4477 sigma (Rayleigh), 95 % of one axis within 1.9600.
    shots = read(
        "Pt,Lat,Lon,Horizontal accuracy 95% (m),Vertical accuracy 95% (m)\n"
        "1,39,-98,0.024477,0.0196\n"
    ).shots
    assert shots.east_sd[0] == pytest.approx(0.01, rel=1e-4)
    assert shots.north_sd[0] == pytest.approx(0.01, rel=1e-4)
    assert shots.up_sd[0] == pytest.approx(0.01, rel=1e-4)


def test_the_guess_shows_what_it_took_and_what_it_left():
    data = b"Pt,Lat,Lon,Depth m,Weather\n1,39.27,-98.04,1.2,rain\n"
    guess = guess_mapping(data, "f.csv", hints={"frame": "NAD83(2011)"})
    shown = {column: read_as for _, column, read_as in guess.rows()}
    assert shown["Depth m"] == "m"
    assert guess.unused() == ("Weather",)
    assert guess.preview == (("1", "39.27", "-98.04", "1.2", "rain"),)


def test_titles_in_portuguese_are_known():
    data = (
        "Ponto;Latitude;Longitude;Profundidade (m);Corrente (mA);Data;Hora;Rede\r\n"
        "P1;-23,5501;-46,6301;1,10;45,0;14/09/2026;13:00:00;\u00c1gua\r\n"
        "P2;-23,5502;-46,6302;1,12;44,9;14/09/2026;13:00:20;\u00c1gua\r\n"
    ).encode("cp1252")
    hints = {"frame": "SIRGAS 2000", "zone": "America/Sao_Paulo", "position_of": "ground"}
    guess = guess_mapping(data, "a.csv", hints=hints)
    assert guess.ambiguities == ()
    upload = read_upload(data, "a.csv", guess.mapping, tag="A", source_index=0)
    assert upload.shots.depth.tolist() == pytest.approx([1.10, 1.12])
    assert upload.shots.current.tolist() == pytest.approx([0.0450, 0.0449])
    assert upload.shots.utility.tolist() == [Utility.WATER] * 2
    assert not upload.reports


def test_a_table_in_which_no_column_is_the_depth_says_so_and_names_what_is_not_taken():
    data = b"Point,Lat,Long,Burial\n1,39.27,-98.04,-1.2\n2,39.271,-98.041,-1.3\n"
    guess = guess_mapping(data, "a.csv", hints={"frame": "NAD83(2011)"})
    (doubt,) = [doubt for doubt in guess.doubts if doubt.field == "depth"]
    assert "no column" in doubt.what.lower()
    assert "Burial" in doubt.why


@pytest.mark.parametrize(
    ("text", "metres"),
    [("4-6", 1.3716), ("4-6.5", 1.3843), ("4-06", 1.3716), ("3-11.25", 1.20015)],
)
def test_feet_and_inches_with_a_dash_may_have_a_part_of_an_inch(text, metres):
    data = f"Point,Lat,Long,Depth (ft in)\n1,39.27,-98.04,{text}\n"
    guess = guess_mapping(data.encode(), "a.csv", hints={"frame": "NAD83(2011)"})
    upload = read_upload(data.encode(), "a.csv", guess.mapping, tag="A", source_index=0)
    assert upload.shots.depth.tolist() == pytest.approx([metres])
