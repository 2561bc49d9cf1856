"""NMEA 0183 sentences as published.

Sources:
- D. DePriest, "NMEA data" (gpsinformation.org/dale/nmea.htm): GGA, RMC, GSA and VTG with their
  checksums and what each field means.
- NOAA Physical Sciences Laboratory, raw navigation log of cruise ATOMIC 2020, day 14, hour 20:
  GST and ZDA as a survey receiver sends them, with a logger's time stamp before each sentence
  (only sentences without positions are used here).
"""

import numpy as np
import pytest

from asfound.intake.nmea import read_log
from asfound.intake.track import track_of
from asfound.model import Fix

GGA = "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"
RMC = "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A"
GSA = "$GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1*39"
VTG = "$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48"
GST = "0000322 $GPGST,195959.00,0.30,0.36,0.26,283.74,0.26,0.36,0.68*68"
ZDA = "0000128 $GPZDA,195959.00,14,01,2020,00,00*6A"


@pytest.mark.parametrize("sentence", [GGA, RMC, GSA, VTG, GST, ZDA])
def test_published_checksums_are_right(sentence):
    log = read_log(f"{sentence}\r\n".encode(), "log")
    assert log.bad == []
    assert sum(len(found) for found in log.sentences.values()) == 1


@pytest.mark.parametrize("sentence", [GGA, RMC, GSA, VTG, GST, ZDA])
def test_a_published_sentence_with_one_letter_changed_is_found_out(sentence):
    place = sentence.index(",") + 3
    spoiled = sentence[:place] + ("7" if sentence[place] != "7" else "8") + sentence[place + 1 :]
    log = read_log(f"{spoiled}\r\n".encode(), "log")
    assert len(log.bad) == 1
    assert "checksum" in log.bad[0].reason


def test_the_published_position_is_read():
    track, bad = track_of(read_log("\r\n".join([GGA, GSA, RMC, VTG, ""]).encode(), "log"), "log")
    assert bad == []
    assert track.time[0] == np.datetime64("1994-03-23T12:35:19", "us")
    assert track.latitude[0] == pytest.approx(48 + 7.038 / 60, abs=1e-12)
    assert track.longitude[0] == pytest.approx(11 + 31.000 / 60, abs=1e-12)
    assert track.fix[0] == Fix.AUTONOMOUS
    assert (track.satellites[0], track.hdop[0], track.pdop[0]) == (8, 0.9, 2.5)
    # Altitude above mean sea level plus height of the geoid above the ellipsoid.
    assert track.height[0] == pytest.approx(545.4 + 46.9)
    assert track.speed[0] == pytest.approx(22.4 * 1852 / 3600)  # 1 kn = 1852 m/h exactly


def test_published_error_statistics_are_read_in_their_order():
    gst = read_log(f"{GST}\r\n".encode(), "log").sentences["GST"]
    latitude, longitude, altitude = (float(gst.fields[k][0].as_py()) for k in (5, 6, 7))
    assert (latitude, longitude, altitude) == (0.26, 0.36, 0.68)
