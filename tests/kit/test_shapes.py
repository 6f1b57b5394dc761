"""Solids of a kit: what is read, and what no solid can be."""

import pytest

from gcodetools.errors import InputError
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.kit.shapes import (
    All,
    AnyOf,
    Box,
    Cylinder,
    Mesh,
    Mirror,
    Near,
    NoneOf,
    Prism,
    Ring,
    Slab,
    ThinnerThan,
    Wedge,
)

KIT = """\
beadwright: 1
kit: k
parts:
  film-clip:
    found_by: {label: clip}
    regions:
      rest: {within: all}
"""


def kit(text=KIT, folder=None):
    return kit_from_bytes(text.encode(), "h.kit.yaml", folder)


def changed(old, new):
    assert old in KIT
    return KIT.replace(old, new, 1)


def refusal(text, folder=None):
    with pytest.raises(InputError) as caught:
        kit(text, folder)
    assert caught.value.hint
    return caught.value.cause


def within(text, folder=None):
    return kit(changed("within: all", f"within: {text}"), folder).parts["film-clip"].regions["rest"].within


@pytest.mark.parametrize(
    ("text", "solid"),
    [
        ("all", All()),
        ("{slab: {layers: [1, 1]}}", Slab(layers=(1, 1))),
        ("{box: {x: [0, 1], z: [2, 3]}}", Box(x=(0, 1), z=(2, 3))),
        ("{cylinder: {centre: [1, 2], radius: 3}}", Cylinder((1, 2), 3)),
        ("{ring: {centre: [1, 2], radius: [0, 4], z: [0, 9]}}", Ring((1, 2), (0, 4), (0, 9))),
        ("{wedge: {centre: [0, 0], radius: [1, 2], angle: [-20, 20]}}", Wedge((0, 0), (1, 2), (-20, 20))),
        ("{prism: {polygon: [[0, 0], [1, 0], [0, 1]], z: [0, 1]}}", Prism(((0, 0), (1, 0), (0, 1)), (0, 1))),
        ("{prism: {polygon: [[0, 0], [1, 0], [0, 1], [0, 0]]}}", Prism(((0, 0), (1, 0), (0, 1), (0, 0)))),
        ("{near: {point: [1, 2, 3], radius: 4}}", Near((1, 2, 3), 4)),
        ("{thinner_than: 1.2}", ThinnerThan(1.2)),
        ("{none_of: [all, {any_of: [{thinner_than: 1}]}]}", NoneOf((All(), AnyOf((ThinnerThan(1),))))),
        ("{any_of: [all, {mirror: x}, {mirror: y}]}", AnyOf((All(), Mirror("x"), Mirror("y")))),
    ],
)
def test_solid_is_read(text, solid):
    assert within(text) == solid


PLACE = "h.kit.yaml:7: parts.film-clip.regions.rest.within"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("{slab: {}}", ".slab: found neither, expected either z: [low, high] or layers: [first, last]"),
        ("{slab: {z: [1, 2], layers: [1, 2]}}", ".slab: found both, expected either"),
        ("{slab: {z: [2, 2]}}", ".slab.z: found [2, 2], expected [low, high] with low below high"),
        (
            "{slab: {layers: [3, 2]}}",
            ".slab.layers: found [3, 2], expected [first, last] with first not above",
        ),
        ("{slab: {layers: [0, 2]}}", ".slab.layers[1]: found 0, expected a whole number of at least 1"),
        ("{slab: {z: 2}}", ".slab.z: found 2, expected a list of 2"),
        ("{slab: {z: [1%, 2]}}", ".slab.z[1]: found '1%', expected a number in mm"),
        ("{box: {}}", ".box: found no range, expected at least one of x, y and z"),
        ("{box: {y: [5, 1]}}", ".box.y: found [5, 1], expected [low, high]"),
        (
            "{cylinder: {centre: [1, 2], radius: 0}}",
            ".cylinder.radius: found 0, expected a number in mm above 0",
        ),
        (
            "{cylinder: {center: [1, 2], radius: 1}}",
            ".cylinder.center: found unknown key 'center', expected 'centre'",
        ),
        (
            "{ring: {centre: [1, 2], radius: [-1, 4]}}",
            ".ring.radius[1]: found -1, expected a number in mm of at",
        ),
        ("{ring: {centre: [1, 2], radius: [4, 4]}}", ".ring.radius: found [4, 4], expected [low, high]"),
        ("{ring: {centre: [1, 2], radius: 4}}", ".ring.radius: found 4, expected a list of 2"),
        (
            "{wedge: {centre: [0, 0], radius: [1, 2], angle: [80, 50]}}",
            ".wedge.angle: found [80, 50], expected [from",
        ),
        (
            "{wedge: {centre: [0, 0], radius: [1, 2], angle: [0, 361]}}",
            ".wedge.angle: found a span of 361 degrees",
        ),
        (
            "{wedge: {centre: [0, 0], radius: [1, 2], angle: [700, 730]}}",
            ".wedge.angle: found [700, 730], expected a",
        ),
        ("{wedge: {centre: [0, 0], radius: [1, 2]}}", ".wedge: found no key 'angle'"),
        (
            "{prism: {polygon: [[0, 0], [1, 0]]}}",
            ".prism.polygon: found a list of 2, expected a list of at least 3",
        ),
        (
            "{prism: {polygon: [[0, 0], [2, 2], [2, 0], [0, 2]]}}",
            ".prism.polygon: found self-intersection at [1 1]",
        ),
        ("{prism: {polygon: [[0, 0], [1, 1], [2, 2]]}}", ".prism.polygon: found "),
        (
            "{prism: {polygon: [[0, 0], [1, 1], [0, 0]]}}",
            ".prism.polygon: found fewer than three different points",
        ),
        ("{near: {point: [1, 2], radius: 1}}", ".near.point: found a list of 2, expected a list of 3"),
        ("{thinner_than: 0}", ".thinner_than: found 0, expected a number in mm above 0"),
        ("{thinner_then: 1}", ": found 'thinner_then', expected a solid: "),
        ("{all: true}", ": found 'all', expected the bare word all"),
        ("{any_of: []}", ".any_of: found a list of 0, expected a list of at least 1"),
        ("{any_of: [{mirror: x}, all]}", ".any_of[1]: found a mirror with nothing before it in the list"),
        ("{any_of: [all, {mirror: z}]}", ".any_of[2].mirror: found 'z', expected one of x, y"),
        ("{mirror: x}", ": found a mirror alone, expected it in a list"),
        (
            "{slab: {z: [1, 2]}, thinner_than: 1}",
            ": found 2 keys (slab, thinner_than), expected one solid in each",
        ),
        ("[all]", ": found a list of 1, expected a solid: "),
        ("{box: {x: [0, 1e300]}}", ".box.x[2]: found 1e300, expected a number in mm from -10000 to 10000"),
    ],
)
def test_wrong_solid_is_told(text, message):
    assert refusal(changed("within: all", f"within: {text}")).startswith(PLACE + message)


def test_mesh_path_becomes_absolute(tmp_path):
    (tmp_path / "cad").mkdir()
    (tmp_path / "cad/lips.stl").write_bytes(b"solid")
    for written in ("cad/lips.stl", "./cad/../cad/lips.stl", "'cad\\lips.stl'"):
        got = within(f"{{any_of: [{{mesh: {written}}}, all]}}", tmp_path)
        assert got == AnyOf((Mesh(str((tmp_path / "cad/lips.stl").resolve())), All()))


@pytest.mark.parametrize(
    "written", ["../out.stl", "cad/../../out.stl", "/etc/passwd", "'C:\\x.stl'", "'\\\\host\\x'", "link.stl"]
)
def test_mesh_path_may_not_leave_the_folder(tmp_path, written):
    home = tmp_path / "home"
    home.mkdir()
    (tmp_path / "out.stl").write_bytes(b"solid")
    (home / "link.stl").symlink_to(tmp_path / "out.stl")
    cause = refusal(changed("within: all", f"within: {{none_of: [{{mesh: {written}}}]}}"), home)
    assert cause.startswith(PLACE + ".none_of[1].mesh: found ")
    assert cause.endswith("expected a path inside the kit's folder")


def test_missing_mesh_is_told(tmp_path):
    cause = refusal(changed("within: all", "within: {mesh: no.stl}"), tmp_path)
    assert cause == PLACE + ".mesh: found 'no.stl', where no file is, expected a mesh file beside the kit"


def test_mesh_link_that_leads_in_a_circle_is_told(tmp_path):
    (tmp_path / "a.stl").symlink_to(tmp_path / "b.stl")
    (tmp_path / "b.stl").symlink_to(tmp_path / "a.stl")
    assert ".mesh: found 'a.stl', where no file is" in refusal(
        changed("within: all", "within: {mesh: a.stl}"), tmp_path
    )
