"""Small array helpers. The library's `unique` hashes; for ascending rows a comparison is enough."""

from __future__ import annotations

import ctypes
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "distinct",
    "give_back",
    "give_back_gaps",
    "keep_memory",
    "marked",
    "places",
    "present",
    "spans_of",
]

Number = TypeVar("Number", bound=np.generic)

_SPAN = 1 << 16
# Numbers of settings of `mallopt` and values for them (the C library's malloc.h).
_TRIM_THRESHOLD, _MMAP_THRESHOLD, _ARENA_MAX = -1, -3, -8
_KEPT = ((_MMAP_THRESHOLD, 1 << 30), (_TRIM_THRESHOLD, (1 << 31) - 1), (_ARENA_MAX, 1))
# NumPy asks for large pages from 4 MiB on.
_SMALL_KEPT = ((_MMAP_THRESHOLD, 1 << 22), (_TRIM_THRESHOLD, 1 << 26), (_ARENA_MAX, 1))
_LARGE_BYTES = 1 << 24
_LARGE_PAGES = Path("/sys/kernel/mm/transparent_hugepage/enabled")


def distinct(ascending: NDArray[Number]) -> NDArray[Number]:
    """The values of an ascending array, each once."""
    if len(ascending) < 2:
        return ascending
    keep = np.empty(len(ascending), bool)
    keep[0] = True
    np.not_equal(ascending[1:], ascending[:-1], out=keep[1:])
    return ascending[keep]


def marked(count: int, *rows: NDArray[np.integer]) -> NDArray[np.int64]:
    """All of `rows` (0 <= row < count) ascending, each once."""
    flag = np.zeros(count, bool)
    for each in rows:
        flag[each] = True
    return np.flatnonzero(flag)


def present(small: NDArray[np.uint8]) -> list[int]:
    """The distinct values of an array of bytes, ascending."""
    here = np.zeros(256, bool)
    for low, high in spans_of(len(small)):  # the library counts whole numbers of eight times their size
        here |= np.bincount(small[low:high], minlength=256) > 0
    found: list[int] = np.flatnonzero(here).tolist()
    return found


def places(flag: NDArray[np.bool_] | NDArray[np.uint8]) -> NDArray[np.int32]:
    """Where flags are set, ascending, as whole numbers of half the size that the library has for them."""
    found = [
        np.flatnonzero(flag[low:high]).astype(np.int32) + np.int32(low) for low, high in spans_of(len(flag))
    ]
    return np.concatenate(found) if found else np.empty(0, np.int32)


def spans_of(count: int, begin: int = 0) -> Iterator[tuple[int, int]]:
    """Cut `begin` to `count` into spans of 64 Ki rows: what is worked out on the way stays in the cache, and small
    against the columns."""
    for low in range(begin, count, _SPAN):
        yield low, min(low + _SPAN, count)


class _Heap:
    """The C library's own calls about its memory, None where it has none; `kept` once memory is kept."""

    def __init__(self) -> None:
        library = ctypes.CDLL(None) if sys.platform.startswith("linux") else None
        self.trim = getattr(library, "malloc_trim", None)
        self.set = getattr(library, "mallopt", None)
        self.kept = False


_heap = _Heap()


def give_back() -> None:
    """Give memory that was freed back to the system, where the C library keeps hold of it.

    After a large file is read some 150 MB of freed blocks would otherwise stay with the process (measured on
    two million lines); giving them back takes about 10 ms. Does nothing once `keep_memory` was called.
    """
    if _heap.trim is not None and not _heap.kept:
        _heap.trim(0)


def give_back_gaps(file_bytes: int) -> None:
    """The same though memory is kept, between two stages of the work on a large file: blocks that one stage frees
    lie between others, and what the next asks for does not fit in. A large file's stages leave up to 1.4 times its
    size (measured on two million lines); pages that are used again are cleared again."""
    if _heap.trim is not None and file_bytes > _LARGE_BYTES:
        _heap.trim(0)


def keep_memory() -> None:
    """Keep freed memory for the arrays to come, from now to the end of the process; for commands, which end.

    A large file is worked on in hundreds of arrays of some 10 MB. By default glibc takes each from the system
    and gives it back, and the system clears every page again: two of six seconds on two million lines. One
    arena, so that what one thread frees another can use.

    Where the system has large pages, which are cleared at no more than it costs to write to them, only arrays
    below 4 MiB are kept: larger ones leave gaps that the next do not fit into, a tenth of the peak.
    """
    if _heap.set is not None and not _heap.kept:
        settings = _SMALL_KEPT if _has_large_pages() else _KEPT
        _heap.kept = min(_heap.set(number, value) for number, value in settings) == 1


def _has_large_pages() -> bool:
    """Whether the system gives large pages to who asks for them, as NumPy does."""
    try:
        return "[never]" not in _LARGE_PAGES.read_text("ascii")
    except (OSError, ValueError):
        return False
