"""Lets the tests of this folder import the `bars` of tests/strength and the `roads` of tests/physics."""

from __future__ import annotations

import sys
from pathlib import Path

TESTS = Path(__file__).parent.parent
sys.path[:0] = [str(TESTS / "strength"), str(TESTS / "physics")]
