"""Checksums of edited lines: `*n`, the exclusive or of the bytes before it (common practice, no source)."""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.splice import EditList, Edits
from gcodetools.gcode.arrays import distinct
from gcodetools.gcode.program import Lines

__all__ = ["add_checksums"]

_ASTERISK = 42
_STAR = re.compile(rb"^([^;(*]*)\*([0-9]+)")


def add_checksums(lines: Lines, edits: Edits, more: EditList) -> bool:
    """Put into `more` the new checksum of every edited line that carries one; whether there was any.

    Lines of ours carry none, as lines in a file need none.
    """
    if b"*" not in lines.data:
        return False
    at = np.searchsorted(lines.start, edits.begin, side="right") - 1
    at = np.minimum(at, len(lines) - 1)
    within = (edits.begin > lines.start[at]) | (edits.end > edits.begin)
    stars = np.flatnonzero(np.frombuffer(lines.data, np.uint8) == _ASTERISK)
    carries = np.zeros(len(lines), bool)
    carries[np.searchsorted(lines.start, stars, side="right") - 1] = True
    within &= carries[at]
    found = False
    touching = np.flatnonzero(within)
    touched = distinct(at[touching])
    first, behind = (np.searchsorted(at[touching], touched, side=side) for side in ("left", "right"))
    text_end = np.cumsum(edits.text.length)
    for line, low, high in zip(touched.tolist(), first.tolist(), behind.tolist(), strict=True):
        text = _STAR.match(lines.text(line))
        if text is None:
            continue
        begin = int(lines.start[line])
        mine = touching[low:high]
        if np.any(edits.end[mine] > begin + text.start(2)):
            continue  # the line is left out
        body = _edited(text.group(1), begin, edits, text_end, mine.tolist())
        value = int(np.bitwise_xor.reduce(np.frombuffer(body, np.uint8)))
        more.one(begin + text.start(2), begin + text.end(2), 0, 9, str(value).encode())
        found = True
    return found


def _edited(body: bytes, begin: int, edits: Edits, text_end: NDArray[np.int64], mine: list[int]) -> bytes:
    done, at = b"", 0
    for k in mine:
        a, b = int(edits.begin[k]) - begin, int(edits.end[k]) - begin
        if a > len(body):
            continue
        end = int(text_end[k])
        done += body[at:a] + edits.text.data[end - int(edits.text.length[k]) : end].tobytes()
        at = b
    return done + body[at:]
