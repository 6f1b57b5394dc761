"""The record: comment lines of ours at the head of a treated file."""

from __future__ import annotations

import re

__all__ = ["MARK", "MAX_LINE_BYTES", "already_treated", "record_lines"]

MARK = b"; beadwright record"
MAX_LINE_BYTES = 200
_HEAD_BYTES = 1 << 20


def already_treated(data: bytes) -> bool:
    """Whether a record of ours stands in the file's head."""
    head = data[:_HEAD_BYTES]
    return head.removeprefix(b"\xef\xbb\xbf").startswith(MARK) or (b"\n" + MARK) in head


def record_lines(pairs: list[tuple[str, str]], newline: bytes) -> bytes:
    """`; beadwright <key>: <value>` a pair, a line at most 200 bytes, values escaped to printable ASCII."""
    lines = [MARK + b" 1"]
    for key, value in pairs:
        text = _escaped(f"; beadwright {key}: {value}")
        room = MAX_LINE_BYTES - len(newline)
        lines.append(text if len(text) <= room else text[: room - 3] + b"...")
    return b"".join(line + newline for line in lines)


def _escaped(text: str) -> bytes:
    """No line end, no control and nothing beyond ASCII survives: a label can't smuggle a command."""
    return re.sub(rb"[^\x20-\x7e]", b"?", text.encode("ascii", "backslashreplace"))
