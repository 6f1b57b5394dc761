"""What new beads bring against what gives way to them: no island loses plastic but what was overfill."""

from __future__ import annotations

import numpy as np
import pytest
from bead_judge import Verdict

from gcodetools.toolpath.beads import FEATURE_INDEX
from gcodetools.toolpath.plate import Plate

FILLS = [FEATURE_INDEX[word] for word in ("solid", "sparse", "gap", "bridge")]
ALL = "all"
ONE = "{perimeters: {add: 1}}"
FILL = "{perimeters: {fill: true}}"
LEFT = 0.96  # of what went, that must come where the file's own fill was not overfull: ends of cut lines
CASES = [
    pytest.param("D-part.gcode", ONE, id="D add 1"),
    pytest.param("D-part.gcode", FILL, id="D fill", marks=pytest.mark.long),
    pytest.param("E0-tpu.gcode", ONE, id="E0 add 1", marks=pytest.mark.long),
    pytest.param("I-no-marks.gcode", ONE, id="I add 1", marks=pytest.mark.long),
    pytest.param("C-arcs.gcode", ONE, id="C add 1", marks=pytest.mark.long),
]


def balance(verdict):
    """Of each island: layer, mm3 that came, mm3 that went, fill before, fill now, fill due."""
    after, before = verdict.after, verdict.before
    for site in verdict.sites:
        came = float((after.area * after.length)[site.new].sum())
        was = float((before.area * before.length)[site.old].sum())
        went = was - float((after.area * after.length)[site.kept].sum())
        size = site.polygon.area * site.height
        due = verdict.q * verdict.wall_loss(site.polygon, site.height, site.old)
        yield site, came, went, was / size, (was + came - went) / size, due


@pytest.mark.parametrize(("name", "treat"), CASES)
def test_an_island_loses_no_plastic_but_what_was_overfull_and_that_is_told(samples, probe, name, treat):
    before = Plate.read(samples / name)
    applied = probe.apply(before, probe.kit(before, ALL, treat))
    verdict = Verdict(before, applied.treated.render())
    came_all, went_all, less = 0.0, 0.0, 0.0
    for site, came, went, was, _, due in balance(verdict):
        came_all, went_all = came_all + came, went_all + went
        less = max(less, went - came)
        # Where less came, more lay there than the file's own fill of that area, or on the whole island.
        band = verdict.room(site).difference(verdict.left(site)).area * site.height
        overfull = was > due or went > verdict.q * band
        assert came > LEFT * went - 0.005 or overfull, (site.layer, came, went, was, due)
    assert came_all > 0.99 * went_all
    assert less < 0.1 or any("less plastic" in done.why for done in applied.done), less


@pytest.mark.every(2)
@pytest.mark.parametrize("treat", [ONE, FILL])
def test_rooms_that_gap_fill_fills_along_the_walls_are_left_as_they_are(samples, probe, treat):
    """Layers 26-30 of this file have nothing but gap fill inside their walls, one bead wide."""
    before = Plate.read(samples / "D-part.gcode")
    applied = probe.apply(before, probe.kit(before, ALL, treat))
    verdict = Verdict(before, applied.treated.render())
    assert not set(verdict.touched) & set(range(25, 30))
    (done,) = applied.done
    assert "already filled" in done.why
    gap = FEATURE_INDEX["gap"]
    for site, came, went, *_ in balance(verdict):
        fill = site.old[np.isin(verdict.before.feature[site.old], FILLS)]
        if np.all(verdict.before.feature[fill] == gap):
            assert came > 1.03 * went, (site.layer, came, went)


@pytest.mark.long
def test_fill_reaches_over_new_beads_as_it_does_over_walls_and_no_further(samples, probe):
    """The lines that stay of a solid layer, cut at the edge of new loops, would lose what lay over the walls."""
    before = Plate.read(samples / "E0-tpu.gcode")
    applied = probe.apply(before, probe.kit(before, "{slab: {z: [3.5, 4.0]}}", ONE))
    verdict = Verdict(before, applied.treated.render())
    found = [item for item in balance(verdict) if item[0].polygon.area > 5000]
    assert found
    for _, came, went, was, now, _ in found:
        assert came == pytest.approx(went, rel=0.01)
        assert now == pytest.approx(was, abs=5e-4)
