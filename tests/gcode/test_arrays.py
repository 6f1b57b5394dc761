"""Small array helpers, and what becomes of freed memory."""

from __future__ import annotations

import ctypes
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.gcode.arrays import distinct, marked, present

# In a process of its own, since what it sets holds to the end: memory in use after 64 MB were freed.
KEPT = """
import numpy as np
from gcodetools.gcode.arrays import give_back, keep_memory

def used():
    return int(open("/proc/self/statm").read().split()[1]) * 4096

if {keep}:
    keep_memory()
before = used()
arrays = [np.ones(1 << 20) for _ in range(8)]
last = np.ones(1)
del arrays
give_back()
print(used() - before)
"""


@pytest.mark.skipif(
    not sys.platform.startswith("linux") or not hasattr(ctypes.CDLL(None), "malloc_trim"),
    reason="needs a C library that can be told what to keep",
)
@pytest.mark.parametrize("keep", [False, True])
def test_freed_memory_is_given_back_unless_it_is_to_be_kept(keep):
    done = subprocess.run(
        [sys.executable, "-c", KEPT.format(keep=keep)], capture_output=True, text=True, check=True
    )
    assert (int(done.stdout) > 48e6) is keep


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
