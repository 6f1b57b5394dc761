"""Blocks of the binary container: where each begins and ends, its codes, its checksum; and new ones.

File header of 10 bytes (magic, version, checksum type), then blocks until the end of the file. A block is a header
of 8 or 12 bytes, parameters, data and, by the file's checksum type, a CRC-32 over all of that. Integers are
little-endian.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator

from gcodetools.gcode.containers.base import Limits, damaged
from gcodetools.gcode.containers.compression import WRAPPED, deflate, expand, inflate, shrink
from gcodetools.records import dataclass

__all__ = [
    "FILE", "GCODE", "PRINT", "PRINTER", "SETTINGS", "TEXT_BYTES", "THUMBNAIL", "TYPE_NAMES", "Block",
    "block_bytes", "payload", "read_blocks",
]  # fmt: skip

FILE, GCODE, SETTINGS, PRINTER, PRINT, THUMBNAIL = range(6)
TYPE_NAMES = ("file metadata", "G-code", "settings", "printer metadata", "print metadata", "thumbnail")
TEXT_BYTES = 65536  # of text in a block, at most
_NONE, _DEFLATE = 0, 1
_WINDOW = {2: 11, 3: 12}
_MAGIC, _VERSION = b"GCDE", 1
_FILE = struct.Struct("<4sIH")
_HEAD = struct.Struct("<HHI")
_U4 = struct.Struct("<I")
_ENCODING = struct.Struct("<H")


@dataclass(frozen=True, slots=True)
class Block:
    """A block at bytes [begin, end) of the file, its data at [data_begin, data_end).

    kind, compression : codes. size : of the data before compression. parameters : as stored. sound : its checksum
    holds, or there is none. summed : there is one.
    """

    kind: int
    compression: int
    size: int
    parameters: bytes
    begin: int
    data_begin: int
    data_end: int
    end: int
    sound: bool
    summed: bool

    @property
    def encoding(self) -> int:
        """The encoding of all but thumbnails."""
        return int(_ENCODING.unpack_from(self.parameters)[0])

    @property
    def told(self) -> str:
        """What messages call it."""
        return f"{TYPE_NAMES[self.kind]} block at offset {self.begin}"


def read_blocks(data: bytes, name: str, limits: Limits) -> list[Block]:
    """All blocks; nothing is unpacked.

    Raises
    ------
    InputError : another version, unknown codes, a block beyond the end of the file, too many blocks.
    """
    if len(data) < _FILE.size:
        raise damaged(name, "file header", f"{len(data)} bytes", f"{_FILE.size}")
    magic, version, checksum = _FILE.unpack_from(data)
    if magic != _MAGIC or version != _VERSION:
        raise damaged(
            name, "file header", f"{magic!r}, version {version}", f"{_MAGIC!r}, version {_VERSION}",
            "Export plain G-code; a newer form of the container can't be read.",
        )  # fmt: skip
    if checksum > 1:
        raise damaged(name, "file header", f"checksum type {checksum}", "0 (none) or 1 (CRC-32)")
    blocks = []
    for block in _walk(data, name, bool(checksum)):
        blocks.append(block)
        if len(blocks) > limits.parts:
            raise damaged(name, f"offset {block.begin}", "one more block", f"at most {limits.parts}")
    return blocks


def _walk(data: bytes, name: str, summed: bool) -> Iterator[Block]:
    at = _FILE.size
    while at < len(data):
        block = _block(data, at, name, summed)
        yield block
        at = block.end


def _block(data: bytes, at: int, name: str, summed: bool) -> Block:
    """The block at an offset.

    Raises
    ------
    InputError : unknown codes, or not all of it is there.
    """
    where = f"block at offset {at}"
    left = len(data) - at
    if left < _HEAD.size + 4:
        raise damaged(name, where, f"the end of the file after {left} bytes", "a whole block")
    kind, compression, size = _HEAD.unpack_from(data, at)
    if kind > THUMBNAIL or compression > 3:
        raise damaged(
            name,
            where,
            f"type {kind}, compression {compression}",
            f"types 0 to {THUMBNAIL}, compressions 0 to 3",
        )
    stored, place = size, at + _HEAD.size
    if compression != _NONE:
        stored, place = _U4.unpack_from(data, place)[0], place + _U4.size
    data_begin = place + (6 if kind == THUMBNAIL else 2)
    data_end = data_begin + stored
    end = data_end + (_U4.size if summed else 0)
    if end > len(data):
        found = f"a length of {end - at} bytes with {left} left in the file"
        raise damaged(name, where, found, "a block that ends within the file")
    sound = not summed or zlib.crc32(memoryview(data)[at:data_end]) == _U4.unpack_from(data, data_end)[0]
    parameters = data[place:data_begin]
    return Block(kind, compression, size, parameters, at, data_begin, data_end, end, sound, summed)


def payload(data: bytes, block: Block, name: str, most: int) -> bytes:
    """A block's data, unpacked; most : bytes it may have.

    Raises
    ------
    InputError : damaged, or too large.
    """
    if block.size > most:
        raise damaged(name, block.told, f"{block.size} bytes of data", f"at most {most}")
    stored = data[block.data_begin : block.data_end]
    if block.compression == _NONE:
        return stored
    if block.compression == _DEFLATE:
        try:
            result, used, whole = inflate(stored, WRAPPED, block.size)
        except zlib.error as error:
            raise damaged(name, block.told, f"damage ({error})", "deflate") from None
        fits = whole and used == len(stored)
    else:
        result, fits = _expanded(stored, _WINDOW[block.compression], block.size)
    if not fits or len(result) != block.size:
        more = "more than " if len(result) > block.size else ""
        found = f"data that unpack to {more}{min(len(result), block.size)} bytes"
        raise damaged(name, block.told, found, f"{block.size} bytes and nothing behind them")
    return result


def _expanded(stored: bytes, window: int, size: int) -> tuple[bytes, bool]:
    """Unpacked heatshrink; whether its length can be right at all: 8.5 times as much is the most."""
    if size > 9 * len(stored):
        return b"", False
    return expand(stored, window), True


def block_bytes(like: Block, content: bytes) -> bytes:
    """A block with other content (before compression), with the codes and parameters of `like`."""
    packed = _packed(content, like.compression)
    head = _HEAD.pack(like.kind, like.compression, len(content))
    if like.compression != _NONE:
        head += _U4.pack(len(packed))
    body = head + like.parameters + packed
    return body + (_U4.pack(zlib.crc32(body)) if like.summed else b"")


def _packed(content: bytes, compression: int) -> bytes:
    if compression == _NONE:
        return content
    if compression == _DEFLATE:
        return deflate(content, WRAPPED)
    return shrink(content, _WINDOW[compression])
