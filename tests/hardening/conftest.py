"""Helpers of these tests are found by folder: tests are imported without a package."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
