"""What checks prove, for programs: statements, the test of the budget, mix-ups."""

from __future__ import annotations

import math
from typing import Any

from asfound.deliver.columns import rounded
from asfound.deliver.delivery import Delivery
from asfound.model import BudgetTest, CheckSet, MixUpReport, Statement
from asfound.units import lengths_in


def accuracy_json(delivery: Delivery) -> dict[str, Any]:
    """The object `accuracy` of `results.json`."""
    report = delivery.results.accuracy
    if report is None:
        return {"statements": [], "budget": [], "mix_ups": [], "words": []}
    return {
        "statements": [
            _statement(delivery, item, statement)
            for item in report.sets
            for statement in item.statements
        ],
        "budget": [
            _budget(delivery, item, item.budget) for item in report.sets if item.budget is not None
        ],
        "mix_ups": [_mix_up(delivery, item) for item in report.mix_ups],
        "words": [
            lengths_in(words, delivery.about.unit)
            for words in (*report.words, *(w for item in report.sets for w in item.words))
        ],
    }


def _statement(delivery: Delivery, item: CheckSet, statement: Statement) -> dict[str, Any]:
    unit = delivery.about.unit

    def shown(metres: float) -> float | None:
        return _number(metres / unit.metres, 4)

    return {
        "kind": item.checks.kind,
        "standard": statement.standard,
        "quantity": statement.quantity,
        f"accuracy_{unit.symbol}": shown(statement.accuracy),
        f"low_{unit.symbol}": shown(statement.low),
        f"high_{unit.symbol}": shown(statement.high),
        "interval": statement.rmse.level,
        "form": statement.form,
        f"rmse_{unit.symbol}": shown(statement.rmse.value),
        f"reference_rmse_{unit.symbol}": shown(statement.reference_rmse),
        "checks": statement.rmse.count,
        "effective_freedom": _number(statement.rmse.freedom, 2),
        "sufficient": statement.sufficient,
        "words": [lengths_in(words, unit) for words in statement.words],
    }


def _budget(delivery: Delivery, item: CheckSet, test: BudgetTest) -> dict[str, Any]:
    counted = item.checks.take(item.counted)
    return {
        "kind": test.kind,
        "variance_factor": _number(test.factor, 3),
        "low": _number(test.low, 3),
        "high": _number(test.high, 3),
        "interval": test.level,
        "axes": test.freedom,
        "p_value": _number(test.p_value, 5),
        "honest": test.honest,
        "outliers": [counted.name[k] for k in test.outliers.tolist()],
        "factor_without_outliers": _number(test.factor_without, 3),
        "residuals": rounded(test.residual, 3),
        "words": [lengths_in(words, delivery.about.unit) for words in test.words],
    }


def _mix_up(delivery: Delivery, report: MixUpReport) -> dict[str, Any]:
    unit = delivery.about.unit

    def shown(metres: float) -> float | None:
        return _number(metres / unit.metres, 3)

    return {
        "upload": report.upload,
        "checks": report.checks,
        f"misclosure_{unit.symbol}": shown(report.misclosure),
        "chance": _number(report.chance, 6),
        "named": report.named,
        "causes": [
            {
                "cause": item.cause,
                "weight": _number(item.weight, 4),
                f"residual_{unit.symbol}": shown(item.residual),
                "fit": _number(item.fit, 5),
                f"height_offset_{unit.symbol}": shown(item.offset),
                "ways": [lengths_in(words, unit) for words in item.words],
            }
            for item in report.causes
        ],
        "words": [lengths_in(words, unit) for words in report.words],
    }


def _number(value: float, decimals: int) -> float | None:
    return round(value, decimals) + 0.0 if math.isfinite(value) else None
