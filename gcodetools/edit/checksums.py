"""Checksums of edited lines: `*n`, the exclusive or of the bytes before it (common practice, no source)."""

from __future__ import annotations

import re

import numpy as np

from gcodetools.edit.splice import EditList, Edits
from gcodetools.gcode.program import Lines

__all__ = ["add_checksums"]

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
    found = False
    for line in np.unique(at[within]).tolist():
        text = _STAR.match(lines.text(line))
        if text is None:
            continue
        begin = int(lines.start[line])
        body = _edited(text.group(1), begin, edits, np.flatnonzero((at == line) & within).tolist())
        value = int(np.bitwise_xor.reduce(np.frombuffer(body, np.uint8)))
        more.one(begin + text.start(2), begin + text.end(2), 0, 9, str(value).encode())
        found = True
    return found


def _edited(body: bytes, begin: int, edits: Edits, mine: list[int]) -> bytes:
    done, at = b"", 0
    for k in mine:
        a, b = int(edits.begin[k]) - begin, int(edits.end[k]) - begin
        if a > len(body):
            continue
        done += body[at:a] + edits.text.text(k)
        at = b
    return done + body[at:]
