"""The words of the trade as closed sets, with the codes that arrays carry.

Source of the colours: APWA Uniform Color Code, which names hues, not RGB values; the RGB values
are ours, chosen to stay legible on white paper.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum


class Utility(IntEnum):
    """What a line carries, in the groups of the APWA Uniform Color Code."""

    UNKNOWN = 0
    ELECTRIC = 1
    GAS = 2
    COMMUNICATION = 3
    WATER = 4
    RECLAIMED = 5
    SEWER = 6

    @property
    def word(self) -> str:
        """Lower-case word used in files and on screens, such as ``'electric'``."""
        return self.name.lower()


@dataclass(frozen=True)
class UtilityColour:
    """Colour of a utility group: the code's word for the hue and an RGB value."""

    hue: str
    rgb: tuple[int, int, int]
    covers: str


APWA_COLOURS: dict[Utility, UtilityColour] = {
    Utility.UNKNOWN: UtilityColour("grey", (90, 90, 90), "not known"),
    Utility.ELECTRIC: UtilityColour("red", (208, 16, 32), "electric power, lighting"),
    Utility.GAS: UtilityColour("yellow", (214, 160, 0), "gas, oil, steam, petroleum"),
    Utility.COMMUNICATION: UtilityColour("orange", (232, 104, 8), "communication, alarm, signal"),
    Utility.WATER: UtilityColour("blue", (16, 92, 200), "potable water"),
    Utility.RECLAIMED: UtilityColour("purple", (128, 48, 160), "reclaimed water, irrigation"),
    Utility.SEWER: UtilityColour("green", (16, 128, 64), "sewer, drain"),
}


class Method(IntEnum):
    """How the signal got onto the line, or which signal was listened to."""

    UNKNOWN = 0
    DIRECT = 1
    CLAMP = 2
    INDUCTION = 3
    PASSIVE_POWER = 4
    PASSIVE_RADIO = 5
    SONDE = 6

    @property
    def word(self) -> str:
        return self.name.lower().replace("_", " ")


class Fix(IntEnum):
    """Kind of GNSS solution: the quality digit of an NMEA 0183 GGA sentence, -1 not recorded."""

    NOT_RECORDED = -1
    NONE = 0
    AUTONOMOUS = 1
    DIFFERENTIAL = 2
    PPS = 3
    RTK_FIXED = 4
    RTK_FLOAT = 5
    ESTIMATED = 6
    MANUAL = 7
    SIMULATED = 8

    @property
    def word(self) -> str:
        return self.name.lower().replace("_", " ")


class Severity(IntEnum):
    """What a finding does to the verdict of what it is about."""

    NOTE = 0
    DOUBT = 1
    FAIL = 2

    @property
    def word(self) -> str:
        return self.name.lower()


class Verdict(IntEnum):
    """What may be done with a shot or a line."""

    SOUND = 0
    DOUBTFUL = 1
    UNFIT = 2

    @property
    def word(self) -> str:
        return self.name.lower()
