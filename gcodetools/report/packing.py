"""Layers packed small for the page: planes of bytes, deflated, as text.

A layer is `u32 n, i32 x0, i32 y0` and then its columns one behind the other, little-endian, those of 16 bits as a
plane of low bytes and a plane of high bytes: equal bytes lie together, so that they deflate well.
"""

from __future__ import annotations

import base64
import struct
import zlib
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from gcodetools.report.pagedata import Points

__all__ = ["HEAD_BYTES", "POINT_BYTES", "layer_bytes", "packed"]

Chunk = tuple[int, int, str]

HEAD_BYTES, POINT_BYTES = 12, 19
_CHUNK_BYTES = 1 << 17  # of layers before they are deflated: what a browser inflates at once
_LEVEL = 7


def layer_bytes(layer: Points) -> bytes:
    """One layer's points as bytes; coordinates as differences to the point before."""
    n = len(layer)
    x0, y0 = (int(layer.x[0]), int(layer.y[0])) if n else (0, 0)
    parts = [struct.pack("<Iii", n, x0, y0)]
    parts += [_planes(np.diff(c, prepend=c[:1]).astype(np.int16)) for c in (layer.x, layer.y)]
    small = (layer.flag, layer.feature, layer.region, layer.instance, layer.width, layer.height)
    parts += [column.tobytes() for column in small]
    parts += [_planes(column) for column in (layer.feed, layer.rate, layer.nozzle, layer.age)]
    parts.append(layer.bond.tobytes())
    return b"".join(parts)


def _planes(column: NDArray[np.integer]) -> bytes:
    pairs = column.astype(column.dtype.newbyteorder("<")).view(np.uint8).reshape(-1, 2)
    return pairs[:, 0].tobytes() + pairs[:, 1].tobytes()


def packed(points: Points) -> list[Chunk]:
    """Chunks (first layer, how many, text): each inflates (raw deflate, RFC 1951) to its layers; the text is
    base64 (RFC 4648)."""
    return list(_chunks(points))


def _chunks(points: Points) -> Iterator[Chunk]:
    waiting: list[bytes] = []
    first, size, layers = 0, 0, len(points.start) - 1
    for k in range(layers):
        waiting.append(layer_bytes(points.layer(k)))
        size += len(waiting[-1])
        if size >= _CHUNK_BYTES or k == layers - 1:
            yield first, len(waiting), _text(b"".join(waiting))
            waiting, first, size = [], k + 1, 0


def _text(data: bytes) -> str:
    maker = zlib.compressobj(_LEVEL, zlib.DEFLATED, -zlib.MAX_WBITS)
    return base64.b64encode(maker.compress(data) + maker.flush()).decode("ascii")
