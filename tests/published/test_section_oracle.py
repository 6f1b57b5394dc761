"""Sections against `sectionproperties`, a finite-element library for cross-sections (open source, MIT licence).

It meshes the shapes themselves and knows nothing of beads or closed forms.
"""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest
from shapely import LineString, Polygon, box
from shapely.affinity import translate

from gcodetools.physics.section import assembled, bead_moments_mm4
from gcodetools.toolpath.beads import bead_area_mm2


def bead(width: float, height: float) -> Polygon:
    """A bead's section, its ends as many-sided polygons."""
    half = (width - height) / 2
    return LineString([(-half, 0), (half, 0)]).buffer(height / 2, quad_segs=128)


@pytest.fixture(scope="module")
def oracle() -> ModuleType:
    """Its parts `analysis` and `pre`: they load slowly, in the worker that needs them alone."""
    import sectionproperties.analysis
    import sectionproperties.pre

    return sectionproperties


def plastic(pre: ModuleType, name: str, modulus: float) -> object:
    return pre.Material(
        name=name, elastic_modulus=modulus, poissons_ratio=0.38, yield_strength=1, density=1, color="w"
    )


@pytest.mark.parametrize(("width", "height"), [(0.45, 0.2), (0.6, 0.28), (0.84, 0.3)])
def test_a_bead_has_the_moments_of_its_mesh(width: float, height: float, oracle: ModuleType) -> None:
    geometry = oracle.pre.Geometry(bead(width, height))
    geometry.create_mesh(mesh_sizes=[height**2 / 50])
    meshed = oracle.analysis.Section(geometry)
    meshed.calculate_geometric_properties()
    about_flat, about_upright, _ = meshed.get_ic()
    flat, upright = bead_moments_mm4(np.array([width]), np.array([height]))
    assert bead_area_mm2(np.array([width]), np.array([height]))[0] == pytest.approx(
        meshed.get_area(), rel=2e-4
    )
    assert flat[0] == pytest.approx(about_flat, rel=3e-4)
    assert upright[0] == pytest.approx(about_upright, rel=3e-4)


@pytest.mark.every(1)
def test_touching_beads_of_two_stiffnesses_bend_as_their_mesh(oracle: ModuleType) -> None:
    """Two perimeters on either side of fill of half their stiffness, and a wider bead, all just touching."""
    width, height = np.array([0.45, 0.45, 0.5, 0.6, 0.45]), np.full(5, 0.2)
    e = np.array([2000.0, 2000.0, 1000.0, 700.0, 2000.0])
    at = np.cumsum(width) - width / 2
    parts = [
        oracle.pre.Geometry(translate(bead(w, 0.2), x, 0), plastic(oracle.pre, f"p{k}", modulus))
        for k, (w, x, modulus) in enumerate(zip(width, at, e, strict=True))
    ]
    compound = oracle.pre.CompoundGeometry(parts)
    compound.create_mesh(mesh_sizes=[0.001])
    meshed = oracle.analysis.Section(compound)
    meshed.calculate_geometric_properties()
    _, upright, _ = meshed.get_eic()
    made = assembled(e, bead_area_mm2(width, height), bead_moments_mm4(width, height)[1], at, width / 2)
    assert made.ea_n[0] == pytest.approx(meshed.get_ea(), rel=3e-4)
    assert made.ei_nmm2[0] == pytest.approx(upright, rel=3e-4)
    cx, _ = meshed.get_c()
    assert made.centroid_mm[0] == pytest.approx(cx, abs=1e-4)


def test_a_box_with_a_soft_core_bends_as_its_mesh(oracle: ModuleType) -> None:
    skin, core, deep = 0.8, 1.6, 0.2
    shells = [
        box(0, 0, skin, deep),
        box(skin, 0, skin + core, deep),
        box(skin + core, 0, 2 * skin + core, deep),
    ]
    e = np.array([2000.0, 150.0, 2000.0])
    parts = [
        oracle.pre.Geometry(s, plastic(oracle.pre, f"q{k}", m))
        for k, (s, m) in enumerate(zip(shells, e, strict=True))
    ]
    compound = oracle.pre.CompoundGeometry(parts)
    compound.create_mesh(mesh_sizes=[0.002])
    meshed = oracle.analysis.Section(compound)
    meshed.calculate_geometric_properties()
    _, upright, _ = meshed.get_eic()
    thick = np.array([skin, core, skin])
    at = np.cumsum(thick) - thick / 2
    made = assembled(e, thick * deep, deep * thick**3 / 12, at, thick / 2)
    assert made.ei_nmm2[0] == pytest.approx(upright, rel=1e-6)
    assert made.thickness_mm[0] == pytest.approx(3.2)
