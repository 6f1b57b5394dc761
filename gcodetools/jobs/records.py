"""What records share: estimates with their band, and no key without a value."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

__all__ = ["Approve", "counted", "estimate", "unopposed", "without_nulls"]

Approve = Callable[[list[str]], None]
"""Called with a job's warnings before it writes anything; raises to stop it."""

_DIGITS = 6


def unopposed(warnings: list[str]) -> None:
    """Let a job write whatever it warns of."""


def estimate(best: float, low: float, high: float, source: str, basis: str = "modelled") -> dict[str, Any]:
    """A number with its band, as every estimate is printed; the band is meant to hold 9 times of 10."""
    low, high = min(low, high), max(low, high)
    return {
        "low": round(low, _DIGITS),
        "best": round(best, _DIGITS),
        "high": round(high, _DIGITS),
        "basis": basis,
        "coverage": 0.9,
        "source": source,
    }


def counted(number: int, word: str) -> str:
    """`1 layer`, `12,000 layers`."""
    return f"{number:,} {word}" if number == 1 else f"{number:,} {word}s"


def without_nulls(record: dict[str, Any]) -> dict[str, Any]:
    """The record without keys whose value is None or no finite number, however deep: what is not known is
    absent."""
    return {key: _pruned(value) for key, value in record.items() if _known(value)}


def _known(value: Any) -> bool:
    if isinstance(value, float):
        return math.isfinite(value)
    if isinstance(value, (list, tuple)):
        return all(_known(item) for item in value)
    return value is not None


def _pruned(value: Any) -> Any:
    if isinstance(value, dict):
        return without_nulls(value)
    if isinstance(value, (list, tuple)):
        return [_pruned(item) for item in value]
    return value
