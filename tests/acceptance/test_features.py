"""Features of samples and made plates: what must be there, in sensible shares, and where geometry alone says."""

from __future__ import annotations

import numpy as np
import pytest

from gcodetools.demo import maker
from gcodetools.jobs.apply import Options
from gcodetools.jobs.inspect import inspect_plate
from gcodetools.toolpath.plate import Plate

PARTS = (maker.Placement("shelf-hook", 60, 60), maker.Placement("ridge-saddle", 130, 60))
WALLS, FILL = ("outermost", "perimeter", "overhang"), ("solid", "sparse", "bridge", "gap")
# Share of bead length in walls, by what the thing is: a tower spiral is nearly all wall; the wide spiral has a
# solid foot of 357 cm2, so 79 m of fill a layer; the brackets are thin walled.
SHARE = {
    "A-two-names.gcode": (0.2, 0.8),
    "A-vase-crlf.gcode": (0.85, 1.0),
    "B-cube.gcode": (0.3, 0.9),
    "B-two-objects.gcode": (0.6, 0.9),
    "B2-fast.gcode": (0.4, 0.9),
    "C-arcs.gcode": (0.3, 0.9),
    "D-part.gcode": (0.4, 0.98),
    "E0-cube.gcode": (0.1, 0.7),
    "E0-tpu.gcode": (0.2, 0.7),
    "E1-vase.gcode": (0.2, 0.5),
    "G-lid-crlf.gcode": (0.6, 1.0),
    "H-parentheses.gcode": (0.1, 0.8),
    "I-no-marks.gcode": (0.2, 0.8),
    "J-bare.g": (0.6, 0.95),
}
NO_FILL = ("A-vase-crlf.gcode", "G-lid-crlf.gcode")  # a spiral; a lid of nothing but loops


def lengths(plate) -> dict[str, float]:
    record, _ = inspect_plate(plate, None, Options(()))
    return {word: value["length_mm"] for word, value in record["features"].items()}


def test_features_of_a_sample_are_sensible(sample, sample_path):
    if sample_path.name not in SHARE:
        assert len(sample.layers) == 1
        return
    found = lengths(sample)
    walls, fill = (sum(found.get(word, 0.0) for word in words) for words in (WALLS, FILL))
    low, high = SHARE[sample_path.name]
    assert low <= walls / (walls + fill) <= high, found
    assert found["outermost"] > 0
    assert sample_path.name in NO_FILL or found.get("sparse", 0) + found.get("solid", 0) > 0
    assert (walls + fill) / sum(found.values()) > 0.6
    # What no word or shape told apart is little: start code, purges, a raft without a word for it.
    assert found.get("other", 0.0) / sum(found.values()) < 0.05


def closed_share(walked) -> float:
    """Share of bead length in runs that come back to where they began, within a millimetre, by a plain loop."""
    closed = whole = run = 0.0
    begin = at = (0.0, 0.0)
    for x, y, e in zip(walked.x, walked.y, walked.e, strict=True):
        step = float(np.hypot(x - at[0], y - at[1]))
        if e > 0 and step > 0:
            if run == 0.0:
                begin = at
            run += step
            whole += step
            if run > 3 and np.hypot(x - begin[0], y - begin[1]) < 0.6:
                closed, run = closed + run, 0.0
        elif step > 0:
            run = 0.0
        at = (x, y)
    return closed / whole


@pytest.mark.parametrize("name", ["I-no-marks.gcode", "J-bare.g"])
@pytest.mark.every(1)
def test_walls_by_geometry_are_the_runs_that_close(samples, walk, name):
    data = (samples / name).read_bytes()
    found = lengths(Plate.from_bytes(data, name))
    mine = sum(found.get(word, 0.0) for word in (*WALLS, "skirt")) / sum(found.values())
    assert mine == pytest.approx(closed_share(walk(data)), abs=0.04)


@pytest.mark.every(2)
@pytest.mark.parametrize("letter", maker.CONVENTIONS)
def test_features_of_the_demo_are_those_it_was_made_of(demo, letter):
    made, plate = demo(letter, parts=PARTS)
    found, truth = lengths(plate), made.truth.length_mm
    groups = {
        "outermost": ("outermost", "overhang"),
        "perimeter": ("perimeter",),
        "solid": ("solid", "top", "bottom", "bridge", "gap"),
        "sparse": ("sparse",),
        "skirt": ("skirt",),
    }
    if letter == "H":  # its marks tell loops and edges from infill and no more
        groups = {"walls": WALLS, "fill": (*FILL, "top", "bottom")}
    elif letter == "A":  # gap fill and infill share a word
        groups |= {"solid": ("solid", "top", "bottom", "bridge"), "sparse": ("sparse", "gap")}
    elif letter in "IJ":  # sparse lines in a room too narrow for a second one are called gap
        groups |= {"solid": (*FILL, "top", "bottom"), "sparse": ()}
        assert found["sparse"] > 0.75 * truth["sparse"]
        assert found["solid"] > 0.9 * (truth["solid"] + truth["top"] + truth["bottom"])
    for name, words in groups.items():
        mine, theirs = (sum(d.get(word, 0.0) for word in words) for d in (found, truth))
        assert mine == pytest.approx(theirs, rel=0.02), (name, found, truth)
