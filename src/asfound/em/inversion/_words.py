"""What a sweep can and can't tell, in sentences for the person who holds the receiver."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

_NUMBER = ("no", "one", "two", "three", "four")
_UNSURE = 0.15  # [m] a standard deviation beyond which a place is called not decided
_UNIFORM = 5.0  # [m] deep, at the limit of the search
_CLEAR_LEAD = 3.0  # of evidence


def describe(
    *,
    n_conductors: int,
    position: FloatArray,
    depth: FloatArray,
    position_sd: FloatArray,
    depth_sd: FloatArray,
    evidence: FloatArray,
    noise_known: bool,
    gain_known: bool,
    explained: bool,
    n_outliers: int,
    separation_limit: float,
    at_bound: BoolArray,
    sampled: FloatArray,
) -> tuple[str, ...]:
    """Sentences about one sweep.

    Parameters
    ----------
    As the fields of `SweepFits`, of one sweep.

    Returns
    -------
    tuple of str
    """
    words: list[str] = []
    said = f"{_NUMBER[n_conductors]} conductor{'s' if n_conductors > 1 else ''}"
    if explained:
        words.append(f"{said.capitalize()} explain{'' if n_conductors > 1 else 's'} this sweep.")
    else:
        words.append(
            f"None of the models explains this sweep; {said} come{'' if n_conductors > 1 else 's'} "
            "nearest. The line may bend or branch here, a large metal object may be near, or the "
            "readings may not share one gain: sweep again a metre or two along the line, or expose."
        )
    words += _rivals(n_conductors, evidence)
    words += _hidden(n_conductors, separation_limit)
    for c in range(n_conductors):
        which = "The conductor" if n_conductors == 1 else f"The conductor at {position[c]:.2f} m"
        if at_bound[c]:
            words.append(
                f"{which} came to rest at the limit of the search ({position[c]:.2f} m, depth "
                f"{depth[c]:.2f} m): its place is not decided; extend the sweep beyond it."
            )
            if depth[c] > _UNIFORM:
                words.append(
                    "From so deep its field is all but uniform over this sweep: it may be a "
                    "background, not a line."
                )
        elif max(position_sd[c], depth_sd[c]) > _UNSURE:
            words.append(
                f"{which} is placed only to {position_sd[c]:.2f} m across and {depth_sd[c]:.2f} m "
                "in depth (one standard deviation)."
            )
    words += _sampling(sampled, n_conductors)
    if n_outliers:
        words.append(
            f"{n_outliers} reading{'s were' if n_outliers > 1 else ' was'} left out as grossly "
            "wrong: take "
            f"{'them' if n_outliers > 1 else 'it'} again."
        )
    if not noise_known:
        words.append(
            "The noise was estimated from the misfit, so the size of the misfit can't be tested"
            + (": repeat some readings to tell the noise." if sampled[3] == 0 else ".")
        )
    if not gain_known:
        words.append(
            "The gain is unknown: currents are relative to the strongest conductor; there is no "
            "absolute current."
        )
    return tuple(words)


def _rivals(n_conductors: int, evidence: FloatArray) -> list[str]:
    """Other numbers of conductors that the evidence does not rule out."""
    best = evidence[n_conductors - 1]
    others = [
        i + 1
        for i, e in enumerate(evidence)
        if i + 1 != n_conductors and np.isfinite(e) and best - e < _CLEAR_LEAD
    ]
    if not others:
        return []
    named = " or ".join(_NUMBER[i] for i in others)
    return [
        f"{named.capitalize()} would explain it about as well: the number of conductors is not "
        "decided; sweep again with more readings, or with a second coil height."
    ]


def _hidden(n_conductors: int, separation_limit: float) -> list[str]:
    found = "it" if n_conductors == 1 else "the strongest"
    if not np.isfinite(separation_limit):
        return [
            f"A further conductor beside {found} with a third of its current can't be told from "
            "these readings at any separation up to 3 m."
        ]
    if separation_limit <= 0.05:
        return []
    return [
        f"A further conductor with a third of its current within {separation_limit:.2f} m of "
        f"{found} can't be told from these readings."
    ]


def _sampling(sampled: FloatArray, n_conductors: int) -> list[str]:
    """What the choice of readings leaves open and what to measure next."""
    words = []
    n_readings, n_heights, vertical, _ = (float(v) for v in sampled)
    if vertical == 1.0:
        words.append(
            "Only the vertical coil was read: it is blind straight above a line, so depth rests "
            "on the flanks; read the horizontal coil too."
        )
    elif vertical == 0.0:
        words.append(
            "Only the horizontal coil was read: the vertical coil's null would tell the position "
            "better and show a neighbour."
        )
    if n_heights < 2:
        words.append(
            "All readings are at one coil height: a second sweep 0.4 m higher would tell deep from "
            "wide."
        )
    if n_readings <= 3 * n_conductors + 3:
        words.append(
            f"{n_readings:.0f} readings leave little to test {_NUMBER[n_conductors]} "
            f"conductor{'s' if n_conductors > 1 else ''} with: take 15 or more, 0.2 m apart over "
            "the line."
        )
    return words
