"""`key=value` lines of the binary container's metadata: read, and changed byte for byte."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence

__all__ = ["is_total", "numbered", "read_pairs", "with_numbered", "with_values"]

_TOTAL = re.compile(r"(?:total )?filament (?:used|cost)\b|\btime\b")


def is_total(key: str) -> bool:
    """Whether a key of printer or print metadata states time, filament or cost."""
    return _TOTAL.search(key) is not None


def read_pairs(content: bytes) -> tuple[list[tuple[str, str]], int]:
    """Keys and values, split at the first `=`; and how many lines have none. Blank lines are passed over."""
    lines = [line.removesuffix("\r") for line in content.decode("utf-8", "surrogateescape").split("\n")]
    lines = [line for line in lines if line]
    pairs = [line.partition("=") for line in lines]
    return [(key, value) for key, equals, value in pairs if equals], sum(1 for pair in pairs if not pair[1])


def with_values(content: bytes, values: Mapping[str, str]) -> bytes:
    """The content with new values where the keys stand; every other byte is the same."""
    wanted = {key.encode("utf-8", "surrogateescape"): value for key, value in values.items()}
    lines = content.split(b"\n")
    for k, line in enumerate(lines):
        key, equals, _ = line.partition(b"=")
        if equals and key in wanted:
            end = b"\r" if line.endswith(b"\r") else b""
            lines[k] = key + equals + wanted[key].encode("utf-8", "surrogateescape") + end
    return b"\n".join(lines)


def numbered(pairs: Iterable[tuple[str, str]], head: str) -> list[str]:
    """Values of the keys that are `head` and a number, in the order of the numbers."""
    found = [(key.removeprefix(head), value) for key, value in pairs if key.startswith(head)]
    return [value for key, value in sorted(found, key=lambda one: (len(one[0]), one[0])) if key.isdecimal()]


def with_numbered(content: bytes, head: str, values: Sequence[str]) -> bytes:
    """The content with these values under `head` and a number, in place of what was there under such keys."""
    begin = head.encode()
    kept = [line for line in content.splitlines(keepends=True) if not line.startswith(begin)]
    if kept and not kept[-1].endswith(b"\n"):
        kept[-1] += b"\n"
    new = [f"{head}{k}={value}\n".encode("utf-8", "surrogateescape") for k, value in enumerate(values, 1)]
    return b"".join([*kept, *new])
