"""Small array helpers, and what becomes of freed memory."""

from __future__ import annotations

import ctypes
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.gcode.arrays import distinct, marked, places, present

# In a process of its own, since what it sets holds to the end: memory in use after 48 MB were freed.
KEPT = """
from pathlib import Path
import numpy as np
from gcodetools.gcode import arrays as ours

def used():
    return int(open("/proc/self/statm").read().split()[1]) * 4096

ours._LARGE_PAGES = Path({pages!r})
if {keep}:
    ours.keep_memory()
before = used()
arrays = [np.ones({size} >> 3) for _ in range((3 << 24) // {size})]
last = np.ones(1)
del arrays
ours.give_back()
print(used() - before)
"""


@pytest.mark.skipif(
    not sys.platform.startswith("linux") or not hasattr(ctypes.CDLL(None), "malloc_trim"),
    reason="needs a C library that can be told what to keep",
)
@pytest.mark.parametrize(
    ("keep", "pages", "size", "kept"),
    [
        (False, "always [madvise] never", 1 << 20, False),
        (False, "always [madvise] never", 1 << 23, False),
        (True, "always [madvise] never", 1 << 20, True),
        (True, "always [madvise] never", 1 << 23, False),
        (True, "always madvise [never]", 1 << 20, True),
        (True, "always madvise [never]", 1 << 23, True),
        (True, None, 1 << 23, True),
    ],
)
def test_freed_memory_is_given_back_unless_it_is_to_be_kept(tmp_path, keep, pages, size, kept):
    """Where large pages are to be had, only small arrays are worth keeping."""
    told = tmp_path / "enabled"
    if pages is not None:
        told.write_text(pages + "\n")
    code = KEPT.format(keep=keep, pages=str(told), size=size)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert (int(done.stdout) > 36e6) is kept


@given(st.lists(st.integers(0, 9)))
def test_distinct_and_present_agree_with_the_library(numbers):
    ascending = np.array(sorted(numbers), np.uint8)
    expected = np.unique(ascending)
    assert np.array_equal(distinct(ascending), expected)
    assert present(ascending) == expected.tolist()


@given(st.lists(st.integers(0, 9)), st.lists(st.integers(0, 9)))
def test_marked_is_the_union(a, b):
    rows = np.array(a, np.int64), np.array(b, np.int64)
    assert marked(10, *rows).tolist() == sorted({*a, *b})


@given(st.lists(st.booleans()), st.integers(0, 3))
def test_places_are_those_of_the_library(flags, shift):
    flag = np.array(flags * (1 + (1 << 15) * shift // max(len(flags), 1)), bool)
    assert np.array_equal(places(flag), np.flatnonzero(flag))
    assert places(flag).dtype == np.int32
