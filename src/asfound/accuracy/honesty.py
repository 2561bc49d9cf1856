"""Is the budget honest? What checks found against what the budget expects them to find."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.linalg import solve_triangular
from scipy.special import chdtrc, chdtri

from asfound.errors import InputError
from asfound.model import BudgetTest, Checks

Floats = npt.NDArray[np.float64]

_OUTLIER = 1e-3  # chance below which one check is called an outlier; as the rule control-failed


def judge_budget(checks: Checks, *, level: float = 0.95) -> BudgetTest:
    """Normalised residuals of checks, and the variance factor with its interval.

    Parameters
    ----------
    checks : Checks
        Of one kind.
    level : float

    Raises
    ------
    InputError
        If there is no check.

    Notes
    -----
    d' C^-1 d with the joint covariance C of all differences follows chi-squared if the budget is
    honest. factor = that over its degrees of freedom.
    """
    if not len(checks):
        raise InputError("a budget can't be tested without checks.", remedy="Measure control.")
    values, covariance = checks.observed()
    residual = _whitened(values, covariance)
    statistic, freedom = float(residual @ residual), len(residual)
    score, axes = _scores(checks)
    chance = chdtrc(axes, score)
    outliers = np.flatnonzero(chance < _OUTLIER)
    tail = 0.5 * (1.0 - level)
    low = statistic / float(chdtri(freedom, tail))
    high = statistic / float(chdtri(freedom, 1.0 - tail))
    upper = float(chdtrc(freedom, statistic))
    without = float("nan")
    if len(outliers) < len(checks):
        kept = checks.take(np.setdiff1d(np.arange(len(checks)), outliers))
        rest = _whitened(*kept.observed())
        without = float(rest @ rest) / len(rest)
    result = BudgetTest(
        kind=checks.kind,
        score=score,
        axes=axes,
        chance=chance,
        residual=residual,
        statistic=statistic,
        freedom=freedom,
        p_value=2.0 * min(upper, 1.0 - upper),
        factor=statistic / freedom,
        low=low,
        high=high,
        level=level,
        outliers=outliers,
        factor_without=without,
        words=(),
    )
    return BudgetTest(**{**result.__dict__, "words": _words(result, checks)})


def check_chances(checks: Checks) -> Floats:
    """(n,) chance of so large a difference of each check by itself, if the budget is right."""
    score, axes = _scores(checks)
    return np.asarray(chdtrc(axes, score))


def joint_chance(checks: Checks) -> float:
    """Chance of so large differences of all checks together; 1 without checks."""
    if not len(checks):
        return 1.0
    residual = _whitened(*checks.observed())
    return float(chdtrc(len(residual), float(residual @ residual)))


def _whitened(values: Floats, covariance: Floats) -> Floats:
    lower = np.linalg.cholesky(covariance)
    return np.asarray(solve_triangular(lower, values, lower=True))


def _scores(checks: Checks) -> tuple[Floats, npt.NDArray[np.int64]]:
    score, axes = np.empty(len(checks)), np.empty(len(checks), np.int64)
    for k in range(len(checks)):
        values, covariance = checks.take(np.array([k])).observed()
        score[k] = float(values @ np.linalg.solve(covariance, values))
        axes[k] = len(values)
    return score, axes


def _words(result: BudgetTest, checks: Checks) -> tuple[str, ...]:
    interval = f"{result.low:.2f} to {result.high:.2f}"
    count = len(checks)
    plural = "s" if count != 1 else ""
    if result.honest:
        first = (
            f"The error budget agrees with {count} {result.kind} check{plural}: variance factor "
            f"{result.factor:.2f} ({100 * result.level:.0f} % interval {interval})."
        )
    elif result.low > 1.0:
        first = (
            f"The error budget promises too much: {count} {result.kind} check{plural} are off "
            f"more than it expects, variance factor {result.factor:.2f} ({interval}). Errors are "
            f"about {np.sqrt(result.factor):.1f} times as large as stated."
        )
    else:
        first = (
            f"The error budget is too cautious: {count} {result.kind} check{plural} agree better "
            f"than it expects, variance factor {result.factor:.2f} ({interval})."
        )
    words = [first]
    if len(result.outliers):
        names = ", ".join(checks.name[k] for k in result.outliers.tolist())
        words.append(
            f"By itself each of these would come by chance in less than 1 of 1000 checks: {names}. "
            "Find the cause before trusting any factor"
            + (
                f"; without them it is {result.factor_without:.2f}."
                if np.isfinite(result.factor_without)
                else "."
            )
        )
    if not result.honest:
        words.append("The factor is offered as a fact; the budget was not changed by it.")
    if result.kind == "repeat":
        words.append("Repeats can't judge errors that both times share.")
    return tuple(words)
