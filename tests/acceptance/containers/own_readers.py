"""Readers of containers that share nothing with the package: after the published descriptions, and by zipfile."""

from __future__ import annotations

import gzip
import io
import struct
import zipfile
import zlib
from dataclasses import dataclass

import heatshrink2
from slow_forms import slow_unpack

GCODE = 1


@dataclass(frozen=True)
class Block:
    """A block as stored, and what it holds, unpacked. kind : its type. encoding : of all but thumbnails."""

    kind: int
    encoding: int
    stored: bytes
    content: bytes

    @property
    def pairs(self) -> dict[str, str]:
        lines = self.content.decode().splitlines()
        return dict(line.split("=", 1) for line in lines)


def walk(data: bytes) -> list[Block]:
    """Blocks of a binary container, sums checked; after the container's published description."""
    assert data[:4] == b"GCDE" and struct.unpack_from("<IH", data, 4) == (1, 1)
    at, found = 10, []
    while at < len(data):
        kind, packing, size = struct.unpack_from("<HHI", data, at)
        head = 8 if packing == 0 else 12
        length = size if packing == 0 else struct.unpack_from("<I", data, at + 8)[0]
        encoding = struct.unpack_from("<H", data, at + head)[0]
        begin = at + head + (6 if kind == 5 else 2)
        end = begin + length
        assert struct.unpack_from("<I", data, end)[0] == zlib.crc32(data[at:end])
        stored = data[begin:end]
        if packing == 1:
            content = zlib.decompress(stored)
        elif packing:
            content = heatshrink2.decompress(stored, window_sz2=9 + packing, lookahead_sz2=4)
        else:
            content = stored
        assert len(content) == size
        found.append(Block(kind, encoding, data[at : end + 4], content))
        at = end + 4
    return found


def text_of(kind: str, data: bytes) -> bytes:
    """The G-code in a container."""
    if kind == "gz":
        return gzip.decompress(data)
    if kind == "package":
        with zipfile.ZipFile(io.BytesIO(data)) as package:
            assert package.testzip() is None
            return package.read("Metadata/plate_1.gcode")
    blocks = [block for block in walk(data) if block.kind == GCODE]
    return b"".join(block.content if block.encoding == 0 else slow_unpack(block.content) for block in blocks)
