"""The record: comment lines of ours at the head of a treated file."""

from __future__ import annotations

import re

__all__ = ["MARK", "MAX_LINE_BYTES", "already_treated", "escaped", "record_lines", "recorded"]

MARK = b"; beadwright record"
MAX_LINE_BYTES = 200
_HEAD_BYTES = 1 << 20
_PAIR = re.compile(rb"^; beadwright ([a-z_]+): ([^\r\n]*)", re.MULTILINE)


def already_treated(data: bytes) -> bool:
    """Whether a record of ours stands in the file's head."""
    head = data[:_HEAD_BYTES]
    return head.removeprefix(b"\xef\xbb\xbf").startswith(MARK) or (b"\n" + MARK) in head


def recorded(data: bytes) -> tuple[tuple[str, str], ...]:
    """The keys and values of the records in a file's head, in their order; none in a file that was never treated.

    A value that was too long ends in `...`; what is not ASCII stands in it as `record_lines` escapes it.
    """
    if not already_treated(data):
        return ()
    pairs = _PAIR.findall(data[:_HEAD_BYTES])
    return tuple((key.decode("ascii"), escaped(value.decode("ascii", "replace"))) for key, value in pairs)


def record_lines(pairs: list[tuple[str, str]], newline: bytes) -> bytes:
    """`; beadwright <key>: <value>` a pair, a line at most 200 bytes, values escaped to printable ASCII."""
    lines = [MARK + b" 1"]
    for key, value in pairs:
        text = escaped(f"; beadwright {key}: {value}").encode("ascii")
        room = MAX_LINE_BYTES - len(newline)
        lines.append(text if len(text) <= room else text[: room - 3] + b"...")
    return b"".join(line + newline for line in lines)


def escaped(text: str) -> str:
    """No line end, no control and nothing beyond ASCII survives: a label can't smuggle a command."""
    return re.sub(r"[^\x20-\x7e]", "?", text.encode("ascii", "backslashreplace").decode("ascii"))
