"""Where our record may stand in a file."""

from __future__ import annotations

import re

from gcodetools.gcode.program import Program
from gcodetools.marks.types import Marks

__all__ = ["header_end"]

_SECTION = re.compile(rb"^;\s*(?:HEADER_BLOCK_START|START_OF_HEADER)\b")
_SECTION_END = re.compile(rb"^;\s*(?:HEADER_BLOCK_END|END_OF_HEADER)\b")
_THUMBNAIL = re.compile(rb"^;\s*thumbnail\w*\s+begin\b", re.I)
_MAX_LINES = 100_000


def header_end(program: Program, marks: Marks) -> int:
    """Line (0-based) before which the record goes.

    Behind a closed header section if the file begins with one, else behind the first run of comment and blank
    lines, but never inside a thumbnail or a block of settings: 0 if there is no such place.
    """
    lines = program.lines
    count = min(len(lines), _MAX_LINES)
    k = 0
    while k < count and not lines.text(k).strip(b" \t\xef\xbb\xbf"):
        k += 1
    if k < count and _SECTION.match(lines.text(k).lstrip(b"\xef\xbb\xbf")):
        for n in range(k, count):
            if _SECTION_END.match(lines.text(n)):
                return n + 1
    first_layer = int(marks.layer_line[0]) if len(marks.layer_line) else count
    end = 0
    for n in range(min(count, first_layer)):
        text = lines.text(n).strip(b" \t\xef\xbb\xbf")
        if text and not text.startswith((b";", b"(")):
            break
        end = n + 1
    return end
