"""Faults planted in a treated file, as a faulty writer would have made them, and what a machine would notice."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from replay import miswritten, replay, texts_of

from gcodetools.edit.treated import Treated

NUMBER = re.compile(rb"([XYZEFSP])(-?\d+\.?\d*)")
Fault = tuple[
    str, list[tuple[int, int, bytes]]
]  # what was done, and spans of the output with what they become


def retouched(treated: Treated, low: int, high: int, text: bytes) -> Treated:
    """The same with bytes [low, high) of its output, no more than a line, written otherwise."""
    edits, texts = treated.edits, texts_of(treated)
    size = np.array([len(t) for t in texts])
    shift = np.concatenate([[0], np.cumsum(size - (edits.end - edits.begin))])
    begin = edits.begin + shift[:-1]
    end = begin + size
    if low == high:
        hit = np.flatnonzero((begin <= low) & (end >= low))[:1]
    else:
        hit = np.flatnonzero(((begin < high) & (end > low)) | ((begin > low) & (begin < high)))
    if len(hit) == 0:
        k = int(np.searchsorted(end, low, side="right"))
        a, b = low - int(shift[k]), high - int(shift[k])
        new, first, last = text, k, k
    else:
        first, last = int(hit[0]), int(hit[-1]) + 1
        a = int(edits.begin[first]) - max(0, int(begin[first]) - low)
        b = int(edits.end[last - 1]) + max(0, high - int(end[last - 1]))
        head = treated.output[min(low, int(begin[first])) : low]
        new = head + text + treated.output[high : max(high, int(end[last - 1]))]
    spans = [
        np.concatenate([column[:first], [value], column[last:]])
        for column, value in ((edits.begin, a), (edits.end, b))
    ]
    wrong = replace(treated, edits=replace(edits, begin=spans[0], end=spans[1]))
    found = miswritten(wrong, [*texts[:first], new, *texts[last:]])
    assert found.output == treated.output[:low] + text + treated.output[high:]
    return found


def planted(treated: Treated, fault: Fault) -> Treated:
    """The same with a fault in it."""
    for low, high, text in sorted(fault[1], reverse=True):
        treated = retouched(treated, low, high, text)
    return treated


def faults(data: bytes, rng: np.random.Generator) -> Iterator[Fault]:
    """Of every line but comments: left out, twice, behind the next one; of every number another digit, another
    sign."""
    at = 0
    lines = data.splitlines(keepends=True)
    for number, line in enumerate(lines):
        begin, end = at, at + len(line)
        at = end
        if line[:1] in b";(\r\n" or not line.endswith(b"\n"):
            continue
        told = f"line {number + 1} {line!r}"
        yield f"{told} left out", [(begin, end, b"")]
        yield f"{told} twice", [(end, end, line)]
        if number + 1 < len(lines) and lines[number + 1].endswith(b"\n"):
            behind = end + len(lines[number + 1])
            yield f"{told} behind the next", [(begin, end, b""), (behind, behind, line)]
        code = line.split(b";")[0]
        for word in NUMBER.finditer(code):
            spots = [k for k in range(*word.span(2)) if 48 <= code[k] <= 57]
            for k in {spots[0], spots[int(rng.integers(len(spots)))]}:
                digit = bytes([48 + (code[k] - 48 + int(rng.integers(1, 10))) % 10])
                yield f"{told} with {digit!r} at {k}", [(begin + k, begin + k + 1, digit)]
            if word[2][:1] == b"-":
                k = begin + word.start(2)
                yield f"{told} without a sign", [(k, k + 1, b"")]


def effect(data: bytes) -> tuple[list[str], np.ndarray]:
    """What a machine does: codes that act, and their places, filament (mm), feed (mm/s), fan, acceleration and
    nozzle."""
    codes, rows = [], []
    for s in replay(data):
        word = s.text.split(maxsplit=1)[0].split(";")[0].upper()
        if word in ("G10", "G11", "G4"):
            codes.append(s.text.split(";")[0].strip() if word == "G4" else word)
            rows.append((*s.end, *s.end, 0.0, 0.0, min(s.fan or 0.0, 255.0), s.accel or 0.0, s.nozzle or 0.0))
            continue
        if max(abs(a - b) for a, b in zip(s.begin, s.end, strict=True)) < 2e-3 and abs(s.e) < 1e-7:
            continue
        codes.append("G1")
        feed = 0.0 if s.feed != s.feed else s.feed
        rows.append((*s.begin, *s.end, s.e, feed, min(s.fan or 0.0, 255.0), s.accel or 0.0, s.nozzle or 0.0))
    return codes, np.array(rows)


_READ = re.compile(
    r"G0*[0-4]\b|G1[01]\b|G9[0-2]|M8[23]|M10[4679]|M204|M73|SET_VELOCITY_LIMIT|SET_HEATER|[;(]"
)


def others(data: bytes) -> list[str]:
    """Lines that `replay` does not read."""
    lines = (re.sub(r"^N[0-9]+ ", "", line.strip()) for line in data.decode().splitlines())
    return [line for line in lines if line and not _READ.match(line)]


def same(one: bytes, other: bytes, unit: float, per_e: float = 1.0) -> bool:
    """Whether two files do the same, but for what rounding may do."""
    (codes, a), (other_codes, b) = effect(one), effect(other)
    if codes != other_codes or others(one) != others(other):
        return False
    slack = [2.1e-3 * unit] * 6 + [2.1e-5 * per_e, 0.02 * unit, 0.005, 1e-9, 1e-9]
    return bool(np.all(np.abs(a - b) <= slack))
