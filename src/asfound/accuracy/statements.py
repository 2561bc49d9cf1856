"""Accuracy statements by published standards, each with what its check points can bear.

Root mean square errors come with their confidence interval: from few checks they say little, and
the words say so. Of checks that share errors only their effective number counts.

>>> east = np.array([0.02, -0.01, 0.015, -0.02])
>>> statement = nssda_horizontal(east, east[::-1])
>>> round(statement.accuracy, 4)
0.041
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy.special import chdtri

from asfound.budget import circular_factor
from asfound.errors import InputError
from asfound.model import Checks, RootMeanSquare, Statement

Floats = npt.NDArray[np.float64]

# Source: FGDC-STD-007.3-1998, National Standard for Spatial Data Accuracy (NSSDA), 3.2.2 and
# appendix 3-A: Accuracy_r = 1.7308 RMSE_r for equal axes; 2.4477 x 0.5 (RMSE_x + RMSE_y) for
# 0.6 < min/max < 1; Accuracy_z = 1.9600 RMSE_z; at least 20 check points.
NSSDA_EQUAL = 1.7308
NSSDA_UNEQUAL = 2.4477
NSSDA_VERTICAL = 1.9600
NSSDA_LEAST_RATIO = 0.6
NSSDA_LEAST_CHECKS = 20
# Source: ASPRS Positional Accuracy Standards for Digital Geospatial Data, edition 2 (August
# 2023): at least 30 check points, no 95 % figure any more, error of the check points counted in.
ASPRS_LEAST_CHECKS = 30
_HIGHER = 3.0  # times more accurate a check should be than what it checks; common practice


def root_mean_square(
    errors: Floats, *, freedom: float | None = None, level: float = 0.95
) -> RootMeanSquare:
    """Root mean square of errors against known values, with its chi-squared interval.

    Parameters
    ----------
    errors : (n,) or (n, 2) float64
        One axis, or both horizontal ones for the radial error [m].
    freedom : float, optional
        Effective number of independent squares, from `effective_freedom`; default: n for one
        axis, and for two n (a + b)^2 / (a^2 + b^2) with a and b their mean squares.
    level : float

    Raises
    ------
    InputError
        If there is no finite error.

    Notes
    -----
    n RMSE^2 / sigma^2 follows chi-squared with n degrees of freedom for errors of mean zero (a
    shared bias is part of the error, so the mean is not taken off). Unequal and correlated
    squares: Satterthwaite's approximation.
    """
    errors = np.asarray(errors, np.float64)
    if errors.size == 0 or not np.isfinite(errors).all():
        raise InputError(
            "a root mean square needs at least one error, and all of them finite.",
            remedy="Leave out checks without a value.",
        )
    count = len(errors)
    squares = (errors**2).reshape(count, -1).mean(axis=0)
    if freedom is None:
        fourth = float((squares**2).sum())
        freedom = count * float(squares.sum()) ** 2 / fourth if fourth > 0 else float(errors.size)
    value = math.sqrt(float(squares.sum()))
    tail = 0.5 * (1.0 - level)
    low, high = (
        value * math.sqrt(freedom / float(chdtri(freedom, share))) for share in (tail, 1.0 - tail)
    )
    mean = float(errors.mean()) if errors.ndim == 1 else float("nan")
    return RootMeanSquare(value, low, high, mean, count, freedom, level)


def effective_freedom(covariance: Floats) -> float:
    """How many independent squares a sum of squared correlated errors is worth.

    Parameters
    ----------
    covariance : (m, m) float64
        Of the errors, as the budget expects them.

    Notes
    -----
    trace(C)^2 / trace(C C), Satterthwaite (1946): matches mean and variance of the sum. Ten
    checks off one base whose offset dominates are worth little more than one.
    """
    trace = float(np.trace(covariance))
    square = float((covariance**2).sum())
    return trace * trace / square if square > 0 else float(len(covariance))


def nssda_horizontal(
    east: Floats,
    north: Floats,
    *,
    form: str = "auto",
    freedom: float | None = None,
    level: float = 0.95,
) -> Statement:
    """NSSDA horizontal accuracy: the radius that holds the error with 95 %.

    Parameters
    ----------
    east, north : (n,) float64
        Measured minus check [m].
    form : str
        ``'equal'``: 1.7308 RMSE_r, for axes equally good. ``'unequal'``: 2.4477 times the mean
        of both axes' RMSE, for 0.6 < min/max < 1. ``'auto'``: by the ratio found; at or below
        0.6, where the standard has no formula, the exact 95 % circle of a normal distribution.
    freedom, level
        As `root_mean_square`.

    Raises
    ------
    InputError
        If `form` is none of these or the errors are unusable.
    """
    both = np.column_stack((np.asarray(east, float), np.asarray(north, float)))
    rmse = root_mean_square(both, freedom=freedom, level=level)
    x, y = (math.sqrt(float((both[:, k] ** 2).mean())) for k in (0, 1))
    larger = max(x, y)
    ratio = min(x, y) / larger if larger > 0 else 1.0
    if form == "auto":
        form = "equal" if ratio == 1.0 else "unequal" if ratio > NSSDA_LEAST_RATIO else "exact"
    notes: list[str] = []
    if form == "equal":
        accuracy = NSSDA_EQUAL * rmse.value
        formula = f"{NSSDA_EQUAL} RMSE_r"
    elif form == "unequal":
        accuracy = NSSDA_UNEQUAL * 0.5 * (x + y)
        formula = f"{NSSDA_UNEQUAL} x 0.5 (RMSE_x + RMSE_y)"
    elif form == "exact":
        accuracy = larger * float(circular_factor(np.array(ratio)))
        formula = "exact 95 % circle"
        notes.append(
            f"The smaller axis' RMSE is {ratio:.2f} of the larger one's; the standard has no "
            "formula at or below 0.6, so the circle that holds 95 % of a normal distribution is "
            "given."
        )
    else:
        raise InputError(
            f"'{form}' is not a form of the NSSDA.", remedy="Use auto, equal, unequal or exact."
        )
    return _nssda("horizontal", accuracy, rmse, formula, notes)


def nssda_vertical(
    up: Floats, *, freedom: float | None = None, level: float = 0.95, quantity: str = "vertical"
) -> Statement:
    """NSSDA vertical accuracy, 1.9600 RMSE_z: the half-interval that holds the error with 95 %.

    Parameters
    ----------
    up : (n,) float64
        Measured minus check [m]; also offsets across a line, with `quantity` saying so.
    """
    rmse = root_mean_square(np.asarray(up, float), freedom=freedom, level=level)
    symbol = "RMSE_z" if quantity == "vertical" else "RMSE"
    formula = f"{NSSDA_VERTICAL:.4f} {symbol}"
    return _nssda(quantity, NSSDA_VERTICAL * rmse.value, rmse, formula, [])


def _nssda(
    quantity: str, accuracy: float, rmse: RootMeanSquare, formula: str, notes: list[str]
) -> Statement:
    scale = accuracy / rmse.value if rmse.value > 0 else 1.0
    low, high = scale * rmse.low, scale * rmse.high
    enough = rmse.count >= NSSDA_LEAST_CHECKS
    if enough:
        first = f"Tested {accuracy:.3f} m {quantity} accuracy at 95 % confidence level"
        first += f" ({rmse.count} check points, {formula})."
    else:
        first = (
            f"From only {rmse.count} check point{'s' if rmse.count != 1 else ''}: {accuracy:.3f} m "
            f"{quantity} ({formula}). The NSSDA asks for at least {NSSDA_LEAST_CHECKS}: this is "
            "not a tested accuracy by that standard."
        )
    spread = (
        f"The checks leave {low:.3f} to {high:.3f} m open ({100 * rmse.level:.0f} % interval by "
        f"chi-squared with {rmse.freedom:.3g} degree{'s' if rmse.freedom != 1.0 else ''} of "
        "freedom)."
    )
    return Statement(
        "NSSDA (FGDC-STD-007.3-1998)",
        quantity,
        accuracy,
        low,
        high,
        rmse,
        formula,
        0.0,
        enough,
        (first, spread, *notes),
    )


def asprs_statement(
    rmse: RootMeanSquare, reference_rmse: float, *, quantity: str = "horizontal"
) -> Statement:
    """ASPRS edition 2 accuracy: the RMSE with the check points' own error in quadrature.

    Parameters
    ----------
    rmse : RootMeanSquare
        Of both axes together (horizontal), or of the heights.
    reference_rmse : float
        Error of the check points: both axes together, or of their heights [m].

    Notes
    -----
    RMSE_H = sqrt(RMSE_H1^2 + RMSE_H2^2), H1 from the checks and H2 of the checks; likewise for
    heights. Source: ASPRS Positional Accuracy Standards, edition 2, 2023. The edition names no
    95 % figure.
    """
    total, low, high = (
        math.hypot(value, reference_rmse) for value in (rmse.value, rmse.low, rmse.high)
    )
    symbol = {"horizontal": "RMSE_H", "vertical": "RMSE_V"}.get(quantity, "RMSE")
    enough = rmse.count >= ASPRS_LEAST_CHECKS
    first = (
        f"Tested {quantity} accuracy {symbol} = {100 * total:.1f} cm, of which the check points' "
        f"own error is {100 * reference_rmse:.1f} cm."
    )
    notes = []
    if not enough:
        notes.append(
            f"Tested with only {rmse.count} check point{'s' if rmse.count != 1 else ''}; the "
            f"standard asks for at least {ASPRS_LEAST_CHECKS}."
        )
    notes.append(
        f"The checks leave {100 * low:.1f} to {100 * high:.1f} cm open "
        f"({100 * rmse.level:.0f} % interval)."
    )
    return Statement(
        "ASPRS, edition 2 (2023)",
        quantity,
        total,
        low,
        high,
        rmse,
        f"{symbol} = sqrt(RMSE_1^2 + RMSE_2^2)",
        reference_rmse,
        enough,
        (first, *notes),
    )


def asprs_three_dimensional(horizontal: Statement, vertical: Statement) -> float:
    """RMSE_3D = sqrt(RMSE_H^2 + RMSE_V^2) [m] of two ASPRS statements."""
    return math.hypot(horizontal.accuracy, vertical.accuracy)


def statements(checks: Checks, *, level: float = 0.95) -> tuple[Statement, ...]:
    """All statements that checks of one kind can bear.

    Control checks and exposures: NSSDA and ASPRS, horizontal where both axes are told, else
    across the line, and vertical. Repeats: how well a spot is found again, not accuracy: both
    times may share an error.

    Returns
    -------
    tuple of Statement
        Empty without checks.
    """
    found: list[Statement] = []
    points = np.flatnonzero(checks.point)
    if len(points):
        d = checks.difference[points]
        part = _block(checks, points, (0, 1))
        freedom = effective_freedom(part)
        found.append(nssda_horizontal(d[:, 0], d[:, 1], freedom=freedom, level=level))
        rmse = root_mean_square(d[:, :2], freedom=freedom, level=level)
        own = math.sqrt(float((checks.reference[points][:, [0, 1], [0, 1]]).sum(1).mean()))
        found.append(asprs_statement(rmse, own))
    lined = np.flatnonzero(~checks.point)
    if len(lined):
        left = np.column_stack((-np.cos(checks.bearing[lined]), np.sin(checks.bearing[lined])))
        offset = (checks.difference[lined, :2] * left).sum(axis=1)
        turn = np.kron(np.eye(len(lined)), np.ones(2)) * left.ravel()
        part = turn @ _block(checks, lined, (0, 1)) @ turn.T
        freedom = effective_freedom(part)
        found.append(
            nssda_vertical(offset, freedom=freedom, level=level, quantity="across the line")
        )
    tall = np.flatnonzero(np.isfinite(checks.difference[:, 2]))
    if len(tall):
        up = checks.difference[tall, 2]
        part = _block(checks, tall, (2,))
        freedom = effective_freedom(part)
        found.append(nssda_vertical(up, freedom=freedom, level=level))
        own = math.sqrt(float(checks.reference[tall, 2, 2].mean()))
        found.append(
            asprs_statement(
                root_mean_square(up, freedom=freedom, level=level), own, quantity="vertical"
            )
        )
    if checks.kind == "repeat":
        return tuple(_as_repeatability(item) for item in found if item.standard.startswith("NSSDA"))
    return tuple(_with_reference(item, checks) for item in found)


def _block(checks: Checks, rows: npt.NDArray[np.int64], axes: tuple[int, ...]) -> Floats:
    """Joint covariance of some axes of some checks."""
    flat = (3 * rows[:, None] + np.array(axes)).ravel()
    return checks.joint[np.ix_(flat, flat)]


def _as_repeatability(item: Statement) -> Statement:
    """The same figures as what they are between two equal measurements: for one of them."""
    factor = 1.0 / math.sqrt(2.0)
    first = (
        f"Measured again, a spot was found within {factor * item.accuracy:.3f} m {item.quantity} "
        f"with 95 % for one measurement ({_repeats(item.rmse.count)}). This is how well a spot is "
        "found again; an error that both times share does not show in it."
    )
    low, high = factor * item.low, factor * item.high
    return Statement(
        "repeatability",
        item.quantity,
        factor * item.accuracy,
        low,
        high,
        item.rmse,
        f"{item.form} / sqrt(2)",
        0.0,
        item.rmse.count >= NSSDA_LEAST_CHECKS,
        (first, f"The repeats leave {low:.3f} to {high:.3f} m open."),
    )


def _repeats(count: int) -> str:
    return f"{count} repeat{'s' if count != 1 else ''}"


def _with_reference(item: Statement, checks: Checks) -> Statement:
    """Say it where the checks are hardly better than what they check."""
    axes = {"horizontal": (0, 1), "across the line": (0,)}.get(item.quantity, (2,))
    own = math.sqrt(sum(float(checks.reference[:, k, k].mean()) for k in axes))
    if item.rmse.value <= 0 or own * _HIGHER <= item.rmse.value or item.reference_rmse:
        return item
    words = (
        *item.words,
        f"The check points' own error is {own:.3f} m: they are less than three times better than "
        "what they check, so part of the figure is theirs.",
    )
    return Statement(**{**item.__dict__, "words": words})
