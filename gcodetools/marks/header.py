"""Where our record may stand in a file."""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from gcodetools.gcode.program import Program
from gcodetools.marks.types import Marks

__all__ = ["header_end"]

_SECTION = re.compile(rb"[;\s]*(?:HEADER_BLOCK_START|START_OF_HEADER)\b")
_SECTION_END = re.compile(rb"[;\s]*(?:HEADER_BLOCK_END|END_OF_HEADER)\b")
_THUMBNAIL = re.compile(rb"[;\s]*thumbnail\w*\s+begin\b", re.I)
_THUMBNAIL_END = re.compile(rb"[;\s]*thumbnail\w*\s+end\b", re.I)
_BOM = b"\xef\xbb\xbf"
_MAX_LINES = 1_000_000  # a run of comments longer than this is no header


def header_end(program: Program, marks: Marks) -> int:
    """Line (0-based) before which the record goes; 0 if the file begins with a command.

    Behind a closed header section if the file begins with one, else behind the first run of comment and blank
    lines, but before the first mark and never inside a thumbnail or a settings section.
    """
    lines = program.lines
    complete = len(lines) - (not lines.data.endswith(b"\n"))
    stop = min([complete, _MAX_LINES, *(int(found[0]) for found in _marks(marks) if len(found))])
    begin = next((k for k in range(stop) if _bare(lines.text(k))), stop)
    if begin < stop and _SECTION.match(_bare(lines.text(begin))):
        for k in range(begin, stop):
            if _SECTION_END.match(lines.text(k)):
                return k + 1
    end, opened = 0, -1
    for k in range(stop):
        text = _bare(lines.text(k))
        if text and not text.startswith((b";", b"(")):
            break
        if _THUMBNAIL.match(text):
            opened = k
        elif _THUMBNAIL_END.match(text):
            opened = -1
        end = k + 1
    end = opened if opened >= 0 else end
    inside = (marks.ignored.first < end) & (end <= marks.ignored.last)
    return int(marks.ignored.first[inside][0]) if inside.any() else end


def _marks(marks: Marks) -> list[NDArray[np.int32]]:
    return [marks.layer_line, marks.feature_line, marks.objects.span_first]


def _bare(text: bytes) -> bytes:
    return text.removeprefix(_BOM).strip()
