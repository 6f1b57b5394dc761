"""Object labels and the spans that bracket them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gcodetools.gcode.program import Program
from gcodetools.marks.objects import normal_label
from gcodetools.marks.types import Marks, Objects

Read = Callable[[str | bytes], tuple[Program, Marks]]
Sample = Callable[[str], tuple[Program, Marks]]
NAMES = st.from_regex(r"[A-Za-z0-9](?:[A-Za-z0-9 ._-]{0,12}[A-Za-z0-9])?", fullmatch=True)


@pytest.mark.parametrize(
    ("text", "label"),
    [
        # The first four spellings are counted in real files.
        ("lrs_200_psu_bracket_x2.stl id:0 copy 1", "lrs_200_psu_bracket_x2"),
        ("lrs_200_psu_bracket_x2_stl_id_0_copy_1", "lrs_200_psu_bracket_x2"),
        ("3DBenchy.stl_id_0_copy_0", "3dbenchy"),
        ("Shape-Box id:0 copy 0", "shape-box"),
        ("camera mount.stl", "camera_mount"),
        ("SpeedTestStructure.step id:0 copy 0", "speedteststructure"),
        ("film clip", "film_clip"),
        ("key_id_3.stl", "key_id_3"),
        ("key_id_3.stl id:0 copy 0", "key_id_3"),
        ("lid 5", "lid_5"),
        ("617", "617"),
        ("stl", "stl"),
        ("  Lug  ", "lug"),
    ],
)
def test_labels_lose_extension_id_and_copy(text: str, label: str) -> None:
    assert normal_label(text) == label


@given(NAMES, st.integers(0, 99), st.integers(0, 99))
def test_the_spellings_of_one_object_have_one_label(name: str, number: int, copy: int) -> None:
    label = normal_label(name)
    assert label
    assert normal_label(f"{name}.stl id:{number} copy {copy}") == label
    assert normal_label(f"{name}.stl_id_{number}_copy_{copy}") == label
    assert normal_label(f"{name}_stl_id_{number}_copy_{copy}".upper()) == label
    assert normal_label(name.replace(".", " ").replace("_", ".")) == label


@given(st.text(max_size=30))
def test_a_label_is_its_own_label(text: str) -> None:
    assert normal_label(normal_label(text)) == normal_label(text)


def test_comment_and_command_of_one_object_are_one_bracket(sample: Sample) -> None:
    program, marks = sample("B-two-objects.gcode")
    objects = marks.objects
    assert objects.names == tuple(f"lrs_200_psu_bracket_x2.stl id:0 copy {k}" for k in (0, 1))
    assert objects.aliases == tuple((f"lrs_200_psu_bracket_x2_stl_id_0_copy_{k}",) for k in (0, 1))
    rows = program.lines.data.split(b"\n")
    starts = [k for k, row in enumerate(rows) if row.startswith(b"; printing object")]
    ends = [k for k, row in enumerate(rows) if row.startswith(b"EXCLUDE_OBJECT_END")]
    stops = [k for k, row in enumerate(rows) if row.startswith(b"; stop printing object")]
    assert objects.span_first.tolist() == starts
    assert objects.span_last.tolist() == np.maximum(ends, stops).tolist()
    assert objects.span_bracket.all()
    assert np.bincount(objects.span_object).tolist() == [70, 70]


def test_labels_that_hold_until_the_next_are_no_brackets(sample: Sample) -> None:
    program, marks = sample("A-two-names.gcode")
    objects = marks.objects
    rows = program.lines.data.split(b"\n")
    named = [k for k, row in enumerate(rows) if row.startswith(b";MESH:") and b"NONMESH" not in row]
    assert objects.names == ("cameraFoot.stl", "camera mount.stl")
    assert objects.span_first.tolist() == named
    assert not objects.span_bracket.any()
    assert len(objects.brackets()) == 0
    # Read by eye: lines 2341, 2956 and 3401 open two meshes and what is no mesh.
    assert objects.at(np.array([2339, 2340, 2954, 2955, 3399, 3400, 3412])).tolist() == [
        -1,
        0,
        0,
        1,
        1,
        -1,
        -1,
    ]


def test_a_numeric_label_ends_with_its_layer(sample: Sample) -> None:
    program, marks = sample("D-part.gcode")
    assert marks.objects.names == ("7558",)
    assert len(marks.objects.span_first) == 71
    assert marks.objects.at(marks.layer_line).tolist() == [-1] * 71
    assert marks.objects.span_last[-1] < len(program.lines) - 10


def test_numbered_objects_have_the_names_of_their_definitions(read: Read) -> None:
    _, marks = read(
        "M486 S0\nM486 AEmbossed text\nM486 S1\nM486 AShape-Sphere\nM486 S-1\n"
        ";LAYER_CHANGE\n;TYPE:Perimeter\n"
        "M486 S0\nG1 X1 E1\nM486 S-1\nG1 X9 E1\nM486 S1\nG1 X2 E1\nM486 S0\nG1 X3 E1\nM486 S-1\n"
    )
    objects = marks.objects
    assert objects.names == ("Embossed text", "Shape-Sphere")
    assert objects.span_first.tolist() == [7, 11, 13]
    assert objects.span_last.tolist() == [9, 12, 15]
    assert objects.span_object.tolist() == [0, 1, 0]


def test_a_mask_joins_its_comment_and_is_no_name(read: Read) -> None:
    _, marks = read(
        "; CHANGE_LAYER\n; OBJECT_ID: 91\n; start printing object, unique label id: 91\nM624 AQAAAAAAAAA=\n"
        "; FEATURE: Outer wall\nG1 X1 E1\n; stop printing object, unique label id: 91\nM625\nG1 X2 E1\n"
    )
    assert (marks.objects.names, marks.objects.aliases) == (("91",), ((),))
    assert (marks.objects.span_first.tolist(), marks.objects.span_last.tolist()) == ([2], [7])


def test_commands_that_stand_outside_their_comments_are_outermost(read: Read) -> None:
    _, marks = read(
        ";LAYER_CHANGE\nEXCLUDE_OBJECT_DEFINE NAME=a_stl CENTER=1,2\nEXCLUDE_OBJECT_START NAME=a_stl\n"
        "; printing object a.stl id:0 copy 0\n;TYPE:Perimeter\nG1 X1 E1\n"
        "; stop printing object a.stl id:0 copy 0\nEXCLUDE_OBJECT_END NAME=a_stl\n"
        ";LAYER_CHANGE\nEXCLUDE_OBJECT_START NAME=a_stl ; again\nG1 X2 E1\nEXCLUDE_OBJECT_END\n"
    )
    objects = marks.objects
    assert (objects.names, objects.aliases) == (("a.stl id:0 copy 0",), (("a_stl",),))
    assert (objects.span_first.tolist(), objects.span_last.tolist()) == ([2, 9], [7, 11])
    assert objects.span_object.tolist() == [0, 0]


def test_a_bracket_without_a_stop_ends_before_the_next(read: Read) -> None:
    _, marks = read(
        ";LAYER_CHANGE\n; printing object a id:0 copy 0\nG1 X1 E1\n; printing object b id:1 copy 0\n"
        "G1 X2 E1\n; stop printing object b id:1 copy 0\n; printing object a id:0 copy 0\nG1 X3 E1\n"
    )
    assert marks.objects.span_first.tolist() == [1, 3, 6]
    assert marks.objects.span_last.tolist() == [2, 5, 7]


def test_a_json_line_gives_the_other_name(sample: Sample) -> None:
    _, marks = sample("B2-fast.gcode")
    assert marks.objects.names == ("3DBenchy.stl id:0 copy 0",)
    assert marks.objects.aliases == (("3DBenchy",),)


def test_broken_json_and_commented_commands_name_nothing(read: Read) -> None:
    _, marks = read(
        "; object:{broken\n; EXCLUDE_OBJECT_START NAME=x\n;LAYER_CHANGE\n;TYPE:Thin wall\nG1 X1 E1\n"
    )
    assert marks.convention == "B2"
    assert marks.objects.names == ()
    assert marks.objects.at(np.array([0, 3])).tolist() == [-1, -1]


def test_names_survive_that_are_no_unicode(read: Read) -> None:
    _, marks = read(
        b";LAYER_CHANGE\n; printing object gef\xe4\xdf id:0 copy 0\nG1 X1 E1\n"
        b"; stop printing object gef\xe4\xdf id:0 copy 0\n"
    )
    assert marks.objects.names[0].encode("utf-8", "surrogateescape") == b"gef\xe4\xdf id:0 copy 0"


def test_the_number_of_an_object_without_a_name_is_no_alias(read: Read) -> None:
    _, marks = read(
        ";LAYER_CHANGE\n; printing object a id:0 copy 0\nM486 S0\nG1 X1 E1\nM486 S-1\n"
        "; stop printing object a id:0 copy 0\n"
    )
    assert (marks.objects.names, marks.objects.aliases) == (("a id:0 copy 0",), ((),))
    assert (marks.objects.span_first.tolist(), marks.objects.span_last.tolist()) == ([1], [5])


@given(
    st.lists(st.tuples(st.integers(0, 6), st.integers(0, 9), st.integers(0, 4)), min_size=1, max_size=6),
    st.lists(st.integers(0, 90), max_size=120),
)
def test_the_object_of_a_line_is_that_of_the_span_it_lies_in(
    gaps: list[tuple[int, int, int]], lines: list[int]
) -> None:
    """Line by line against the spans; many ascending lines, which are not looked up one by one, too."""
    first, last, owner, at = [], [], [], 0
    for before, length, name in gaps:
        first.append(at + before)
        last.append(at + before + length)
        owner.append(name)
        at = last[-1] + 1
    objects = Objects(
        tuple("abcde"), ((),) * 5, np.array(owner, np.int16), np.array(first, np.int32),
        np.array(last, np.int32), np.ones(len(owner), bool),
    )  # fmt: skip

    def expected(line: int) -> int:
        return next((o for a, b, o in zip(first, last, owner, strict=True) if a <= line <= b), -1)

    for some in (lines, sorted(lines), sorted(lines * 9)):
        found = objects.at(np.array(some, np.int32))
        assert found.dtype == np.int16
        assert found.tolist() == [expected(line) for line in some]
