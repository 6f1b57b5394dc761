"""Layers packed small for the page: planes of bytes, deflated, as text.

A layer is `u32 n, i32 x0, i32 y0` and then its columns one behind the other, little-endian, those of 16 bits as a
plane of low bytes and a plane of high bytes: equal bytes lie together, so that they deflate well.
"""

from __future__ import annotations

import base64
import struct
import zlib
from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from gcodetools.records import dataclass
from gcodetools.report.pagedata import Points

__all__ = ["FAST", "HEAD_BYTES", "POINT_BYTES", "Packed", "layer_bytes", "layer_from", "packed"]

Chunk = tuple[int, int, str]

HEAD_BYTES, POINT_BYTES = 12, 19
_CHUNK_BYTES = 1 << 17  # of layers before they are deflated: what a browser inflates at once
_SMALL, FAST = 7, 1  # how hard to deflate: for a page, and for what is taken apart again


@dataclass(slots=True)
class Packed:
    """Points of a plate's layers, a small part of their size in memory: any layer can be had again.

    chunks : (first layer, how many, text): each inflates (raw deflate, RFC 1951) to its layers; the text is base64
    (RFC 4648). layers, points : how many. low, high : least and greatest x and y, units; None without points.
    """

    chunks: list[Chunk] = field(default_factory=list)
    layers: int = 0
    points: int = 0
    low: tuple[int, int] | None = None
    high: tuple[int, int] | None = None
    _open: tuple[int, list[Points]] = field(default=(-1, []), repr=False, compare=False)

    def layer(self, k: int) -> Points:
        """One layer alone. Those of its chunk are kept until one of another is asked for."""
        at = bisect_right(self.chunks, k, key=lambda chunk: chunk[0]) - 1
        first, count, text = self.chunks[at]
        if self._open[0] != at:
            self._open = at, list(_layers(zlib.decompress(base64.b64decode(text), -zlib.MAX_WBITS), count))
        return self._open[1][k - first]

    def each(self) -> Iterator[Points]:
        """All layers in turn."""
        return (self.layer(k) for k in range(self.layers))

    def _count(self, layer: Points) -> None:
        self.layers, self.points = self.layers + 1, self.points + len(layer)
        if len(layer):
            low, high = ((int(end(layer.x)), int(end(layer.y))) for end in (np.min, np.max))
            self.low = low if self.low is None else (min(low[0], self.low[0]), min(low[1], self.low[1]))
            self.high = (
                high if self.high is None else (max(high[0], self.high[0]), max(high[1], self.high[1]))
            )


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


def layer_from(data: NDArray[np.uint8]) -> tuple[Points, NDArray[np.uint8]]:
    """The layer that begins some bytes, as `layer_bytes` makes it, and the bytes behind it."""
    n, x0, y0 = struct.unpack("<Iii", data[:HEAD_BYTES].tobytes())
    end = HEAD_BYTES + n * POINT_BYTES
    planes = iter(data[HEAD_BYTES:end].reshape(POINT_BYTES, n))

    def pairs() -> NDArray[np.uint16]:
        low, high = next(planes), next(planes)
        return low | high.astype(np.uint16) << np.uint16(8)

    x, y = (start + np.cumsum(pairs().view(np.int16), dtype=np.int32) for start in (x0, y0))
    flag, feature, region, instance, width, height = (next(planes) for _ in range(6))
    feed, rate, nozzle, age = (pairs() for _ in range(4))
    layer = Points(
        np.array([0, n], np.int64), x, y, flag, feature, region, instance, width, height, feed, rate, nozzle, age,
        next(planes),
    )  # fmt: skip
    return layer, data[end:]


def _layers(data: bytes, count: int) -> Iterator[Points]:
    rest = np.frombuffer(data, np.uint8)
    for _ in range(count):
        layer, rest = layer_from(rest)
        yield layer


def packed(layers: Iterable[Points], level: int = _SMALL) -> Packed:
    """Layers packed one after the other. level : how hard to deflate."""
    result, waiting, size = Packed(), list[bytes](), 0
    for layer in layers:
        result._count(layer)
        waiting.append(layer_bytes(layer))
        size += len(waiting[-1])
        if size >= _CHUNK_BYTES:
            result.chunks.append(_chunk(result.layers, waiting, level))
            waiting, size = [], 0
    if waiting:
        result.chunks.append(_chunk(result.layers, waiting, level))
    return result


def _chunk(layers: int, waiting: list[bytes], level: int) -> Chunk:
    """The last of some layers."""
    maker = zlib.compressobj(level, zlib.DEFLATED, -zlib.MAX_WBITS)
    text = base64.b64encode(maker.compress(b"".join(waiting)) + maker.flush()).decode("ascii")
    return layers - len(waiting), len(waiting), text
