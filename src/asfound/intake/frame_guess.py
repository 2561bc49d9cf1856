"""The frame of a file: what the user declares, else what the file itself says."""

from __future__ import annotations

import re

from asfound.errors import FrameError
from asfound.geodesy import ensemble_accuracy, resolve_frame
from asfound.intake.mapping import Doubt

_NAMES = re.compile(
    r"(?i)\b(?:ITRF\s*-?(?:20\d\d|9\d)|IGS\s*b?\d\d|NAD\s*-?83\s*\((?:20\d\d|CSRS|NSRS2007|PA11|MA11)\)"
    r"(?:\s*v\d)?|WGS\s*-?84\s*\(G\d+\)|WGS\s*_?-?84|ETRF\s*20\d\d|ETRS\s*89|GDA\s*-?(?:2020|94)|"
    r"NZGD\s*2000|SIRGAS\s*2000|EPSG\s*:\s*\d{4,6}|NAD\s*-?83|SWEREF\s*99)"
)
_EPOCH = re.compile(r"(?i)\bepoch\W{0,3}((?:19|20)\d\d(?:\.\d+)?)\b")

BARE_WGS84 = "EPSG:4979"


def frame_in_text(text: str) -> str:
    """A frame named in text, as `resolve_frame` understands it; empty if none."""
    for match in _NAMES.finditer(text):
        name = re.sub(r"\s+", " ", match[0])
        if re.fullmatch(r"(?i)WGS\s*_?-?84", name):
            return BARE_WGS84
        if known_frame(name):
            return name
    return ""


def known_frame(text: str) -> bool:
    """Whether PROJ knows a frame."""
    if not text.strip():
        return False
    if re.fullmatch(r"(?i)wgs[\s_-]*(?:19)?84", text.strip()):
        return True
    try:
        resolve_frame(text)
    except FrameError:
        return False
    return True


def canonical(text: str) -> str:
    """A frame's name as mappings keep it: bare WGS 84 becomes its 3D code."""
    plain = text.strip()
    if re.fullmatch(r"(?i)wgs[\s_-]*(?:19)?84|EPSG:\s*4326|OGC:CRS84", plain):
        return BARE_WGS84
    return plain


def epoch_in_text(text: str) -> float | None:
    """A coordinate epoch named in text."""
    match = _EPOCH.search(text)
    return float(match[1]) if match else None


def frame_doubts(crs: str, accuracy: float) -> list[Doubt]:
    """What is vague about a frame."""
    try:
        resolved = resolve_frame(crs)
        spread = ensemble_accuracy(resolved)
    except FrameError:
        return []
    name = resolved.name
    if spread <= 0 and not re.fullmatch(r"NAD83", name):
        return []
    if accuracy > 0:
        return []
    size = f"{spread:g} m" if spread > 0 else "a metre or more"
    return [
        Doubt(
            "frame",
            f"'{name}' does not say which realisation the correction service used.",
            f"It covers frames up to {size} apart, so it is no centimetre frame.",
            "Give the service's frame with --frame (crs under [frame]), or carry the error: "
            "position_accuracy under [frame], --position-accuracy.",
        )
    ]
