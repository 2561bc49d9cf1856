"""What was found about digs, for programs: every rule's answer, sentences, shared errors."""

from __future__ import annotations

import math
from typing import Any

from asfound.deliver.delivery import Delivery
from asfound.deliver.dig_columns import by_contact, chance
from asfound.model import Approach, ClearanceRule, DigClearance
from asfound.units import lengths_in


def digs_json(delivery: Delivery) -> dict[str, Any]:
    """The object `clearance` of `results.json`."""
    results = delivery.results
    report = results.digs
    update = results.exposed
    return {
        "ground": report.ground if report else None,
        "searched": list(report.searched) if report else [],
        "rules": [_rule(delivery, rule) for rule in report.rules] if report else [],
        "digs": [_dig(delivery, item) for item in report.digs] if report else [],
        "advice": _words(delivery, report.advice.words) if report and report.advice else [],
        "advice_ceiling": _number(report.advice.ceiling) if report and report.advice else None,
        "risk_before": _number(report.advice.risk_before) if report and report.advice else None,
        "shared_errors": [
            {
                "term": item.term,
                "group": item.group,
                "lines": [results.lines[k].name for k in item.lines if k < len(results.lines)],
                f"size_{delivery.about.unit.symbol}": _length(delivery, item.size),
                f"up_{delivery.about.unit.symbol}": _length(delivery, item.up),
                f"up_sd_{delivery.about.unit.symbol}": _length(delivery, item.up_sd),
            }
            for item in (update.shared if update else ())
        ],
    }


def _rule(delivery: Delivery, rule: ClearanceRule) -> dict[str, Any]:
    unit = delivery.about.unit.symbol
    return {
        "id": rule.id,
        "title": rule.title,
        "shape": rule.shape,
        f"distance_{unit}": _length(delivery, rule.distance),
        f"horizontal_{unit}": _length(delivery, rule.horizontal),
        f"vertical_{unit}": _length(delivery, rule.vertical),
        "near": [kind.word for kind in rule.near],
        "installs": [kind.word for kind in rule.installs],
        "both_ways": rule.both_ways,
        "jurisdiction": rule.jurisdiction,
        "citation": rule.citation,
        "read": rule.read.isoformat() if rule.read else None,
        "from_memory": rule.from_memory,
    }


def _dig(delivery: Delivery, item: DigClearance) -> dict[str, Any]:
    return {
        "dig": item.dig.name,
        "words": _words(delivery, item.words),
        "lines": [_near(delivery, near) for near in by_contact(item)],
        "cautions": list(item.cautions),
    }


def _near(delivery: Delivery, near: Approach) -> dict[str, Any]:
    return {
        "line": near.line,
        "p_error": _number(near.p_error),
        "rules": [
            {
                "rule": answer.rule.id,
                f"shortfall_{delivery.about.unit.symbol}": _length(delivery, answer.shortfall),
                "p_breach": _number(chance(answer.p_breach)),
            }
            for answer in near.rules
        ],
        "words": _words(delivery, near.words),
    }


def _words(delivery: Delivery, words: tuple[str, ...]) -> list[str]:
    return [lengths_in(said, delivery.about.unit) for said in words]


def _length(delivery: Delivery, metres: float) -> float | None:
    return _number(metres / delivery.about.unit.metres, 4)


def _number(value: float, decimals: int = 6) -> float | None:
    return round(value, decimals) + 0.0 if math.isfinite(value) else None
