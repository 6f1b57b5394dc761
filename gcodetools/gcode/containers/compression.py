"""Deflate and heatshrink: bounded unpacking, and packing.

Deflate is RFC 1951 (bare) or with the wrapper of RFC 1950. Heatshrink is by the library heatshrink2 (extra
`containers`), loaded when first needed; it unpacks to at most eight and a half times its input (a 4-bit length of
up to 16 bytes for 16 bits or more), so that it needs no limit of its own.
"""

from __future__ import annotations

import importlib
import zlib
from typing import Any

from gcodetools.errors import UsageError

__all__ = ["BARE", "WRAPPED", "deflate", "expand", "inflate", "shrink"]

BARE, WRAPPED = -15, 15
_PIECE_BYTES = 1 << 16
_LOOKAHEAD = 4


def inflate(packed: bytes | memoryview, wbits: int, most: int) -> tuple[bytes, int, bool]:
    """Unpack one stream of deflate: its bytes, how many of `packed` it took, and whether it came to its end.

    More than `most` bytes mean that it unpacks to more than that; unpacking stops there.

    Raises
    ------
    zlib.error : no such stream.
    """
    view, at, room = memoryview(packed), 0, most + 1
    engine = zlib.decompressobj(wbits)
    parts = []
    while at < len(view) and not engine.eof and room > 0:
        piece = view[at : at + _PIECE_BYTES]
        parts.append(engine.decompress(piece, room))
        room -= len(parts[-1])
        at += len(piece) - len(engine.unused_data) - len(engine.unconsumed_tail)
    return b"".join(parts), at, engine.eof


def deflate(data: bytes, wbits: int, level: int = -1) -> bytes:
    """One stream of deflate."""
    engine = zlib.compressobj(level, zlib.DEFLATED, wbits)
    return engine.compress(data) + engine.flush()


def _library() -> Any:
    """heatshrink2.

    Raises
    ------
    UsageError : it is not installed.
    """
    try:
        return importlib.import_module("heatshrink2")
    except ImportError:
        raise UsageError(
            "binary G-code with heatshrink compression needs the library heatshrink2, which is not installed",
            "pip install 'beadwright[containers]', or export plain G-code.",
        ) from None


def expand(packed: bytes, window: int) -> bytes:
    """Unpack one stream of heatshrink with a window of 2**window bytes and a lookahead of 16."""
    result: bytes = _library().decompress(packed, window_sz2=window, lookahead_sz2=_LOOKAHEAD)
    return result


def shrink(data: bytes, window: int) -> bytes:
    """One stream of heatshrink."""
    result: bytes = _library().compress(data, window_sz2=window, lookahead_sz2=_LOOKAHEAD)
    return result
