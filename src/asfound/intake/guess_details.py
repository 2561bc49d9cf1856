"""Signs, times, heights, the point that is meant, and words."""

from __future__ import annotations

import numpy as np

from asfound.intake.columns_guess import numbers_of
from asfound.intake.features import GEOMETRY_HEIGHT
from asfound.intake.guess_state import AXES, Guess
from asfound.intake.header_words import Title, position_word
from asfound.intake.mapping import OPEN, Column
from asfound.intake.position_guess import guess_signs
from asfound.intake.time_guess import guess_time_form, guess_zone
from asfound.intake.words import word_code
from asfound.model import Frame

_ELLIPSOIDAL = frozenset(["ellipsoidal", "ellipsoid", "hae", "ellh", "ell", "ellipsoidische"])
_ORTHOMETRIC = frozenset(
    [
        "orthometric",
        "ortho",
        "elevation",
        "elev",
        "msl",
        "navd88",
        "navd",
        "nhn",
        "nn",
        "od",
        "odn",
        "ahd",
        "evrs",
        "egm96",
        "egm2008",
        "geoid",
        "cota",
        "orthometrisch",
        "sea",
    ]
)


def settle_signs(guess: Guess) -> None:
    if guess.located or not {"longitude", "latitude"} <= guess.matched.keys():
        return
    found = guess_signs(
        {name: guess.columns[name] for name in ("longitude", "latitude")},
        {name: guess.cells[guess.matched[name].index] for name in ("longitude", "latitude")
         if name in guess.matched},
        {f"{name}_hemisphere" in guess.matched for name in ("longitude", "latitude")} == {True},
        guess.frame.crs,
        guess.sample.decimal,
        guess.hints.job_crs,
    )  # fmt: skip
    guess.columns.update(found.columns)
    guess.doubts += found.doubts
    guess.open += found.ambiguities


def settle_times(guess: Guess) -> None:
    titles = {n: guess.matched[n].title for n in ("time", "date") if n in guess.matched}
    for name in titles:
        index = guess.matched[name].index
        both = name == "time" and "date" in titles
        form, doubt, ambiguous = guess_time_form(
            name,
            titles[name].text,
            [] if both else guess.cells[index],
            guess.units.get(index, ""),
        )
        guess.columns[name] = Column(guess.columns[name].column, form=form)
        if doubt:
            (guess.open if ambiguous else guess.doubts).append(doubt)
    if not titles or guess.hints.zone:
        return
    needs_time = guess.facts is not None and guess.facts.needs_time and guess.frame.epoch is None
    strict = needs_time or guess.kind == "readings without position"
    cells = guess.cells[guess.matched["time"].index] if "time" in titles else []
    forms = {guess.columns[name].form for name in titles}
    guess.zone, doubt, ambiguous = guess_zone(
        list(titles.values()), cells, forms, strict, guess.lead
    )
    if doubt:
        (guess.open if ambiguous else guess.doubts).append(doubt)


def settle_heights(guess: Guess) -> None:
    kind, geoid = guess.hints.heights, guess.hints.geoid
    if not kind:
        kind = _height_kind(guess, geoid)
    guess.frame = Frame(guess.frame.crs, guess.frame.epoch, kind, geoid)


def _height_kind(guess: Guess, geoid: str) -> str:
    if guess.columns.get("height", Column("")).column == GEOMETRY_HEIGHT:
        return _geometry_height_kind(guess, geoid)
    if "height" not in guess.matched:
        return "ellipsoidal" if guess.located or guess.kind != "shots" else "none"
    title = guess.matched["height"].title
    said = height_words(title)
    if said == "ellipsoidal":
        return said
    if geoid:
        return "orthometric"
    if said:
        what = f"Column '{title.text}' looks like heights above a geoid, which is not named."
    else:
        what = f"Column '{title.text}' does not say what heights are measured from."
    guess.ambiguity(
        "heights",
        what,
        "Heights above the ellipsoid and above a geoid lie up to a hundred metres apart.",
        "Give --heights ellipsoidal, or --heights orthometric with --geoid FILE, or --heights "
        "none (heights under [frame]).",
    )
    return OPEN


def height_words(title: Title) -> str:
    """What a height's title says it is measured from; empty if it does not."""
    words = title.all_words
    if words & _ELLIPSOIDAL or title.words == ("h",):
        return "ellipsoidal"
    return "orthometric" if words & _ORTHOMETRIC else ""


def _geometry_height_kind(guess: Guess, geoid: str) -> str:
    if geoid:
        return "orthometric"
    if guess.format == "geojson":
        return "ellipsoidal"  # RFC 7946, section 4: metres above the WGS 84 ellipsoid
    remedy = "Give --heights, and --geoid for orthometric ones (heights under [frame])."
    if guess.format == "kml":
        guess.doubt(
            "heights",
            "Heights of the placemarks are not used.",
            "KML heights are above the EGM96 geoid, good to a metre, or those of a map.",
            remedy,
        )
        return "none"
    guess.ambiguity(
        "heights",
        "The points have heights, but the file does not say what they are measured from.",
        "Heights above the ellipsoid and above a geoid lie up to a hundred metres apart.",
        remedy,
    )
    return OPEN


def settle_point(guess: Guess) -> None:
    if guess.position_of:
        return
    titles: list[Title] = [guess.matched[n].title for n in (*AXES, "height") if n in guess.matched]
    said = {position_word(title) for title in titles} - {""}
    if len(said) == 1:
        guess.position_of = said.pop()
        return
    if guess.kind == "sweeps":
        guess.position_of = "ground"
        return
    pole = "antenna_height" in guess.matched or np.isfinite(guess.hints.antenna_height)
    guess.doubt(
        "position_of",
        "Positions are taken as those of the antenna; the antenna height is taken off."
        if pole
        else "Positions are taken as those of the antenna, but no antenna height is given.",
        "The file does not say whether they were already brought to the ground.",
        "If they were, give --position-of ground (position_of in the mapping file)."
        + ("" if pole else " Else give --antenna-height."),
    )


def settle_words(guess: Guess) -> None:
    for name in ("utility", "method", "fix", "coil"):
        if name not in guess.matched:
            continue
        cells = guess.cells[guess.matched[name].index]
        unknown = sorted({cell for cell in cells if word_code(name, cell, {}) is None})
        if unknown:
            shown = ", ".join(f"'{word}'" for word in unknown[:8])
            guess.doubt(
                name,
                f"Column '{guess.title(guess.matched[name])}' holds words asfound does not "
                f"know: {shown}{' ...' if len(unknown) > 8 else ''}.",
                "Their rows are kept without it.",
                f"Say what they mean under [values.{name}] in the mapping file.",
            )
        if name == "fix" and cells and all(cell.isdigit() for cell in cells):
            guess.doubt(
                name,
                f"Numbers in column '{guess.title(guess.matched[name])}' are taken as NMEA "
                "quality digits: 4 is RTK fixed, 5 float.",
                "",
                "Say what they mean under [values.fix] in the mapping file.",
            )


def settle_readings(guess: Guess) -> None:
    """A table of shots in which no column is the depth, but one that is not taken may be."""
    if guess.kind != "shots" or "depth" in guess.columns:
        return
    used = {match.index for match in guess.matched.values()}
    unused = [
        title
        for index, title in enumerate(guess.sample.titles)
        if title
        and title != GEOMETRY_HEIGHT
        and index not in used
        and numbers_of(guess.cells[index], guess.sample.decimal)
    ]
    if unused:
        guess.doubt(
            "depth",
            "No column is taken as the depth: the shots will have none.",
            f"Columns with numbers that are not taken: {', '.join(unused[:8])}.",
            "If one of them is the depth, name it under [columns.depth] in the mapping file.",
        )
