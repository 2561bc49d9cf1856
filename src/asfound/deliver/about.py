"""What every output says about itself: frame, epoch, heights, units, uncertainty, cautions.

One place decides these words, so that no two files of a hand-over can disagree.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime

import numpy as np
import numpy.typing as npt
import pyproj

from asfound.geodesy import resolve_frame
from asfound.model import CAUTIONS, Results, Verdict
from asfound.units import LENGTH_UNITS, LengthUnit, length_unit

INVENTED = "INVENTED DEMONSTRATION DATA"
SHORT_CAUTION = "Estimate, not exact; other lines may lie anywhere. This gives no leave to dig."
UNCERTAINTY = (
    "Uncertainty is given with 95 % confidence unless a name says sd (one standard deviation). "
    "Horizontal: the radius of the circle, and the ellipse, that hold the conductor's true centre. "
    "Vertical: half the height of the interval that holds it."
)
VERDICTS = (
    "A verdict judges the measurement, not the ground: sound (no rule objects), doubtful (use "
    "only after reading the findings), unfit (don't use; measure again)."
)
POSITIONS = (
    "A shot's position is the conductor's centre below the ground point under the pole's tip; "
    "its height is the ground height less the depth. Depths are read to the centre of the "
    "current, not to the top of the utility."
)


@dataclass(frozen=True)
class About:
    """The statement that goes with every output.

    Parameters
    ----------
    job : str
    version : str
        ``'asfound 0.1.0'``.
    invented : bool
    crs_name, crs_code : str
        Horizontal CRS; the code is empty if the CRS has none.
    geographic_name : str
        Its geographic base, in which longitude and latitude are.
    epoch, vertical_reference : str
        In words.
    grid_unit, unit : LengthUnit
        Of coordinates, and of every other length.
    day : date or None
        The job's day: as set, else of the last shot.
    uncertainty, verdicts, positions : str
    cautions : tuple of str
    """

    job: str
    version: str
    invented: bool
    crs_name: str
    crs_code: str
    geographic_name: str
    epoch: str
    vertical_reference: str
    grid_unit: LengthUnit
    unit: LengthUnit
    day: date | None
    uncertainty: str = UNCERTAINTY
    verdicts: str = VERDICTS
    positions: str = POSITIONS
    cautions: tuple[str, ...] = CAUTIONS

    @property
    def crs(self) -> str:
        """Name and code in one."""
        return f"{self.crs_name} ({self.crs_code})" if self.crs_code else self.crs_name

    @property
    def units(self) -> str:
        """Both units in one sentence."""
        grid, unit = self.grid_unit, self.unit
        if grid == unit:
            return f"coordinates, heights and lengths in {unit_words(unit)} ({unit.symbol})"
        return (
            f"eastings and northings in {unit_words(grid)} ({grid.symbol}); heights, depths and "
            f"other lengths in {unit_words(unit)} ({unit.symbol})"
        )

    def facts(self) -> tuple[tuple[str, str], ...]:
        """Heading and text of each fact, cautions left out."""
        rows = [
            ("Job", self.job),
            ("Made by", self.version),
            ("CRS", self.crs),
            ("Longitude, latitude", f"{self.geographic_name}, degrees"),
            ("Epoch", self.epoch),
            ("Vertical reference", self.vertical_reference),
            ("Units", self.units),
            ("Positions", self.positions),
            ("Uncertainty", self.uncertainty),
            ("Verdicts", self.verdicts),
        ]
        return tuple(([("Data", INVENTED)] if self.invented else []) + rows)

    def text(self) -> str:
        """Facts and cautions as plain text, each on a line of its own."""
        lines = [f"{heading}: {' '.join(text.split())}" for heading, text in self.facts()]
        return "\n".join([*lines, *(f"CAUTION: {caution}" for caution in self.cautions)]) + "\n"


def horizontal_crs(crs: str) -> pyproj.CRS:
    """The horizontal part of a CRS, named as job settings can name it."""
    full = resolve_frame(crs, where="the job's frame")
    return full.sub_crs_list[0] if full.is_compound else full


def about(results: Results, crs: pyproj.CRS) -> About:
    """The statement for a job's outputs.

    Parameters
    ----------
    results : Results
    crs : pyproj.CRS
        Horizontal CRS of the job.
    """
    authority = crs.to_authority(min_confidence=100)
    geographic = crs.geodetic_crs
    return About(
        job=results.settings.name,
        version=f"asfound {results.version}",
        invented=results.settings.invented,
        crs_name=crs.name,
        crs_code=":".join(authority) if authority else "",
        geographic_name=geographic.name if geographic is not None else crs.name,
        epoch=_epoch(results, crs),
        vertical_reference=results.ground.vertical_reference,
        grid_unit=_grid_unit(results.ground.unit_metres, crs),
        unit=length_unit(results.settings.length_unit),
        day=job_day(results),
    )


def job_day(results: Results) -> date | None:
    """The day a job speaks of: as set, else of the last shot; None if no shot has a time."""
    if results.settings.processed_on is not None:
        return results.settings.processed_on
    time = results.intake.shots.time
    known = time[~np.isnat(time)]
    if not len(known):
        return None
    last = int(known.max().astype("datetime64[s]").astype(np.int64))
    return datetime.fromtimestamp(last, UTC).date()


def _epoch(results: Results, crs: pyproj.CRS) -> str:
    declared = results.settings.frame.epoch
    if declared is not None:
        return f"{declared:.3f}".rstrip("0").rstrip(".") + " (decimal year)"
    # WKT2 marks a plate-independent frame, in which ground points move, with DYNAMIC[...].
    if "DYNAMIC[" not in crs.to_wkt():
        return "not needed: the frame moves with its plate"
    used = results.ground.epoch[np.isfinite(results.ground.epoch)]
    if not len(used):
        return "each shot's own time (none recorded)"
    return f"each shot's own time, {used.min():.3f} to {used.max():.3f} (decimal year)"


def _grid_unit(metres: float, crs: pyproj.CRS) -> LengthUnit:
    for unit in LENGTH_UNITS.values():
        if abs(unit.metres / metres - 1.0) < 1e-9:
            return unit
    word = crs.axis_info[0].unit_name if crs.axis_info else "unit"
    return LengthUnit("unit", word, metres, word)


def unit_words(unit: LengthUnit) -> str:
    """A unit's name in the plural: ``'metres'``, ``'US survey feet'``."""
    return unit.word.replace("foot", "feet") if "foot" in unit.word else unit.word + "s"


def plural(count: int, one: str, many: str = "") -> str:
    """``'1 shot'``, ``'12 shots'``."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def verdict_counts(codes: npt.NDArray[np.int8]) -> dict[str, int]:
    """How many of each verdict, sound first."""
    return {verdict.word: int(np.count_nonzero(codes == verdict)) for verdict in Verdict}
