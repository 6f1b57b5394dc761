"""Plates for the tests of the writer: tiny texts, small demo plates made once, and drafts over them."""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from gcodetools.edit.draft import Draft, Rest
from gcodetools.edit.treated import Treated, emit
from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.plate import Plate

# Tests are imported without a package, so their helpers are found by folder.
sys.path.insert(0, str(Path(__file__).parent))

from gates_of_demo import demo_plate

HEAD = b";TYPE:Custom\nM82\nG21\nG90\n"


@lru_cache(maxsize=20)
def sample_plate(path: Path) -> Plate:
    return Plate.read(path)


def tiny_plate(text: bytes | str) -> Plate:
    return Plate.from_bytes(text.encode() if isinstance(text, str) else text, "tiny.gcode")


def beads_of(plate: Plate) -> np.ndarray:
    return np.flatnonzero(plate.beads.feature != 0)


def emitted(draft: Draft, **options: object) -> Treated:
    """Emit, and require both audits clean before anything else is looked at."""
    treated = emit(draft, **{"ooze_mm": 1.0, "bed": None, **options})  # type: ignore[arg-type]
    for full in (False, True):
        found = treated.audit(full=full)
        assert found.differing == 0, (full, found.first_difference)
    return treated


def random_draft(plate: Plate, seed: int, rests: bool = True) -> Draft:
    """Cuts, feeds, flows, accelerations, holds over layers and rests, all drawn from `seed`."""
    rng = np.random.default_rng(seed)
    beads = beads_of(plate)
    cut = rng.choice(beads, min(len(beads), int(rng.integers(1, 60)))) if rng.random() < 0.8 else beads[:0]
    draft = Draft.of(plate, np.repeat(cut, 2), rng.random(2 * len(cut)))
    is_bead = plate.beads.feature[draft.row] != 0
    own_feed, own_accel = plate.moves.f, plate.program.states.accel.at(plate.moves.line)

    def somewhere() -> np.ndarray:
        stretches = rng.integers(0, len(draft.row), (int(rng.integers(1, 12)), 2))
        mask = np.zeros(len(draft.row), bool)
        for a, size in stretches:
            mask[a : a + 1 + size % 40] = True
        mask |= rng.random(len(mask)) < rng.choice([0.0, 0.002, 0.05])
        return mask & is_bead

    if rng.random() < 0.7:
        mask = somewhere()
        draft.feed[mask] = own_feed[draft.row[mask]] * rng.choice([0.5, 0.8, 1.0, 1.137], mask.sum())
    if rng.random() < 0.7:
        mask = somewhere()
        draft.flow[mask] = rng.choice([0.95, 1.0, 1.0371], mask.sum())
    if rng.random() < 0.7:
        mask = somewhere()
        draft.accel[mask] = np.minimum(own_accel[draft.row[mask]], rng.choice([400.0, 900.0]))
    draft.base_nozzle_c = 215.0
    for name in ("nozzle_c", "fan"):
        if rng.random() < 0.6:
            _hold(draft, name, rng)
    if rests and rng.random() < 0.5 and len(plate.layers) > 2:
        some = rng.choice(np.arange(1, len(plate.layers)), min(5, len(plate.layers) - 1), replace=False)
        draft.rests += [Rest(int(k), float(rng.choice([2.0, 12.5])), "r") for k in some]
    return draft


def _hold(draft: Draft, name: str, rng: np.random.Generator) -> None:
    layers, count = draft.plate.layers, len(draft.plate.moves)
    values = np.full(count, np.nan)
    for _ in range(int(rng.integers(1, 4))):
        a, b = np.sort(rng.integers(0, len(layers), 2))
        rows = slice(int(layers.first_row[a]), int(layers.last_row[b]))
        values[rows] = 241.0 if name == "nozzle_c" else rng.choice([0.0, 0.25, 0.9])
    if name == "fan" and rng.random() < 0.5:
        values[np.isin(draft.plate.beads.feature, (FEATURE_INDEX["bridge"], FEATURE_INDEX["overhang"]))] = (
            np.nan
        )
    setattr(draft, name, values)


@pytest.fixture
def drawn() -> Callable[..., Draft]:
    """A draft drawn from a seed."""
    return random_draft


@pytest.fixture
def plate_of() -> Callable[[bytes | str], Plate]:
    """Read a tiny text."""
    return tiny_plate


@pytest.fixture
def demo() -> Callable[..., Plate]:
    """A small demo plate with two gates, made once a session."""
    return demo_plate


@pytest.fixture
def write() -> Callable[..., Treated]:
    """Emit a draft; both audits must be clean."""
    return emitted


@pytest.fixture
def sample(sample_path: Path) -> Plate:
    """One sample, read once."""
    return sample_plate(sample_path)
