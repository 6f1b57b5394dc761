"""Text compressed with gzip (RFC 1952): one member or several, written back with the same header and level."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Mapping
from dataclasses import field
from typing import NamedTuple

from gcodetools.errors import UsageError
from gcodetools.gcode.containers.base import Container, Limits, Written, check_restated, damaged
from gcodetools.gcode.containers.compression import BARE, deflate, inflate
from gcodetools.gcode.containers.spans import Span, spans
from gcodetools.records import dataclass

__all__ = ["Gz", "open_gz"]

_MAGIC = b"\x1f\x8b"
_FIXED = struct.Struct("<2sBBIBB")
_TRAILER = struct.Struct("<II")
_HEADER_SUM, _EXTRA, _NAME, _COMMENT, _RESERVED = 2, 4, 8, 16, 0xE0
_LEVELS = {2: 9, 4: 1}  # what XFL says of the level: slowest, fastest; else the usual one


class _Member(NamedTuple):
    """Bytes [begin, end) of the file; header : its header's bytes. size : of its text."""

    begin: int
    end: int
    header: bytes
    size: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Gz(Container):
    """Compressed text; members : of the file, in order."""

    members: tuple[_Member, ...] = field(default=(), repr=False)

    @property
    def inside(self) -> str:
        """Members, where there are several."""
        return f"{len(self.members)} members" if len(self.members) > 1 else ""

    def written(self, new_text: bytes, restated: Mapping[str, str] | None = None) -> Written:
        """See `Container.written`; members whose text is unchanged are copied."""
        check_restated(self.totals, restated)
        bounds = [0]
        for member in self.members:
            bounds.append(bounds[-1] + member.size)
        found = spans(self.text, bounds, new_text)
        if len(self.members) == 1 and new_text != self.text:  # lines that came in get no member of their own
            found = [Span(0, 1, 0, len(new_text), False)]
        parts = [self._part(span, new_text) for span in found]
        return Written(b"".join([*parts, self.data[self.members[-1].end :]]), new_text)

    def _part(self, span: Span, new_text: bytes) -> bytes:
        member = self.members[min(span.first, len(self.members) - 1)]
        if span.same:
            return self.data[member.begin : member.end]
        text = new_text[span.begin : span.end]
        body = deflate(text, BARE, _LEVELS.get(member.header[8], -1))
        return member.header + body + _TRAILER.pack(zlib.crc32(text), len(text) & 0xFFFFFFFF)


def open_gz(data: bytes, name: str, plate: int | None, limits: Limits) -> Gz:
    """Read compressed text.

    Raises
    ------
    InputError : damaged, or more than the limits. UsageError : there is one plate only.
    """
    if plate not in (None, 1):
        raise UsageError(
            f"{name}: found one plate, asked for plate {plate}", "Leave the number (--plate) out."
        )
    members: list[_Member] = []
    texts: list[bytes] = []
    at, size, notes = 0, 0, []
    while at < len(data):
        if members and not data.startswith(_MAGIC, at):
            notes.append(_behind(data, at))
            break
        if len(members) >= limits.parts:
            raise damaged(name, f"offset {at}", "one more member", f"at most {limits.parts}")
        header = _header(data, at, name)
        text, end = _member(data, at + len(header), name, limits, size)
        members.append(_Member(at, end, header, len(text)))
        texts.append(text)
        size += len(text)
        at = end
    return Gz(
        kind="gz", name=name, data=data, text=b"".join(texts), notes=tuple(notes), members=tuple(members)
    )


def _behind(data: bytes, at: int) -> str:
    count = len(data) - at
    what = "zero bytes" if not any(data[at:]) else "bytes that are no compressed text"
    return f"{count} {what} behind the end of the text (offset {at}): kept as they are"


def _header(data: bytes, at: int, name: str) -> bytes:
    """A member's header, with its optional fields.

    Raises
    ------
    InputError : damaged.
    """
    where = f"gz header at offset {at}"
    cut = damaged(name, where, f"the end of the file after {len(data) - at} bytes", "the rest of the header")
    if len(data) < at + _FIXED.size:
        raise cut
    magic, method, flags, *_ = _FIXED.unpack_from(data, at)
    if magic != _MAGIC or method != 8 or flags & _RESERVED:
        raise damaged(
            name, where, f"method {method}, flags {flags:#04x}", "method 8 (deflate), flags below 0x20"
        )
    end = at + _FIXED.size
    if flags & _EXTRA:
        if len(data) < end + 2:
            raise cut
        end += 2 + int.from_bytes(data[end : end + 2], "little")
    for flag in (_NAME, _COMMENT):
        if flags & flag:
            end = data.find(b"\0", end) + 1
            if end == 0:
                raise cut
    if flags & _HEADER_SUM:
        told, is_ = int.from_bytes(data[end : end + 2], "little"), zlib.crc32(data[at:end]) & 0xFFFF
        end += 2
        if end <= len(data) and told != is_:
            raise damaged(name, where, f"header checksum {told:#06x}", f"{is_:#06x}")
    if end > len(data):
        raise cut
    return data[at:end]


def _member(data: bytes, at: int, name: str, limits: Limits, before: int) -> tuple[bytes, int]:
    """A member's text, and where the member ends; before : bytes of text so far.

    Raises
    ------
    InputError : damaged, or more than the limits.
    """
    where = f"compressed text at offset {at}"
    most = limits.most(len(data), limits.text_bytes) - before
    try:
        text, used, whole = inflate(memoryview(data)[at:], BARE, most)
    except zlib.error as error:
        raise damaged(name, where, f"damage ({error})", "deflate") from None
    if len(text) > most:
        limit = limits.most(len(data), limits.text_bytes)
        raise damaged(name, where, f"more than {limit} bytes of text from {len(data)}", "a sliced file")
    end = at + used + _TRAILER.size
    if not whole or end > len(data):
        raise damaged(name, where, "the end of the file", "the rest of the text and its checksum")
    told, size = _TRAILER.unpack_from(data, at + used)
    is_ = zlib.crc32(text)
    if (told, size) != (is_, len(text) & 0xFFFFFFFF):
        raise damaged(
            name,
            f"checksum at offset {at + used}",
            f"{told:#010x} for {size} bytes",
            f"{is_:#010x} for {len(text)}",
        )
    return text, end
