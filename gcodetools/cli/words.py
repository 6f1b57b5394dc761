"""Small phrases that the texts of several commands share."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from gcodetools.cli.layout import figures

__all__ = ["band", "clock", "merged", "numbers", "plainly", "same_or_span"]

_NUMBER = re.compile(r"(?<![\w.])(\d+(?:\.\d+)?)(?: to (\d+(?:\.\d+)?))?(?= mm3?\b(?!/))")
_ALIKE = 0.01


def band(estimate: dict[str, Any], unit: str) -> str:
    """An estimate to two figures with its band and what it rests on: `51 g (48 to 54, modelled)`."""
    low, best, high = (figures(estimate[key]) for key in ("low", "best", "high"))
    basis = estimate["basis"]
    inner = basis if low == high else f"{low} to {high}, {basis}"
    return f"{best} {unit} ({inner})"


def clock(seconds: float) -> str:
    """`5 h 07 min` or `1 min 28 s`."""
    total = round(seconds)
    if total < 60:
        return f"{total} s"
    if total < 3600:
        return f"{total // 60} min {total % 60:02d} s"
    minutes = round(total / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min"


def numbers(values: Sequence[int]) -> str:
    """Whole numbers with runs joined: `1 to 4, 7 and 9`."""
    runs: list[list[int]] = []
    for value in sorted(set(values)):
        if runs and value == runs[-1][1] + 1:
            runs[-1][1] = value
        else:
            runs.append([value, value])
    words: list[str] = []
    for a, b in runs:
        words += [f"{a} to {b}"] if b > a + 1 else [str(k) for k in range(a, b + 1)]
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1] if words else ""


def plainly(value: float) -> str:
    """A coordinate to a hundredth without needless zeros."""
    return f"{value:.2f}".rstrip("0").rstrip(".")


def same_or_span(values: Sequence[float], unit: str) -> str:
    """One value, or the least and the largest where they differ by over 1 %."""
    low, high = min(values), max(values)
    tail = f" {unit}" if unit else ""
    if high - low <= _ALIKE * abs(high):
        return f"{_short(high)}{tail}"
    return f"{_short(low)} to {_short(high)}{tail}"


def _short(value: float) -> str:
    return f"{round(value):,}" if abs(value) >= 100 else f"{value:g}"


def merged(texts: Sequence[str]) -> str | None:
    """Texts that differ in lengths or volumes (mm, mm3) only, as one with their spans; None if otherwise."""
    if len({_NUMBER.sub("", text) for text in texts}) > 1:
        return None
    columns = zip(*(_NUMBER.finditer(text) for text in texts), strict=True)
    spans = iter([_span_of(column) for column in columns])
    return _NUMBER.sub(lambda _: next(spans), texts[0])


def _span_of(found: Sequence[re.Match[str]]) -> str:
    """The span of lengths, each one or a span itself; what is the same in all stays as it is."""
    ends = [end for match in found for end in match.groups() if end]
    if len({match[0] for match in found}) == 1 and all(float(end) < 1000 for end in ends):
        return found[0][0]
    return same_or_span([float(end) for end in ends], "")
