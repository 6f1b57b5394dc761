"""Packages: made by the standard library's zipfile, which is the outside oracle; and what a careful reader refuses."""

from __future__ import annotations

import io
import stat
import struct
import zipfile

import pytest
from container_makers import (
    LIST,
    PLATE,
    RELS,
    SETTINGS,
    SLICED,
    digest,
    entries,
    package,
    plate_list,
    rels,
    sliced,
)

from gcodetools.errors import Fault, InputError, Refused, UsageError
from gcodetools.gcode.containers.base import Limits
from gcodetools.gcode.containers.opening import open_container, sniff
from gcodetools.gcode.containers.package import Package

TEXT = b"; generator\n" + b"".join(b"G1 X%d Y2 E.01\n" % k for k in range(500)) + b"M84\n\n"
NEW = TEXT.replace(b"G1 X7 ", b"G1 F900 X7 ")


def opened(data: bytes, plate: int | None = None) -> Package:
    found = open_container(data, "a.3mf", plate)
    assert isinstance(found, Package)
    return found


def refusal(data: bytes, **limits: int) -> str:
    with pytest.raises(InputError) as caught:
        open_container(data, "a.3mf", limits=Limits(**limits))
    assert caught.value.hint and str(caught.value).startswith("a.3mf: ")
    return str(caught.value)


def unzipped(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as read:
        assert read.testzip() is None
        return {name: read.read(name) for name in read.namelist()}


def raw(data: bytes, name: str) -> bytes:
    """An entry's bytes from its local header to what stands behind it."""
    with zipfile.ZipFile(io.BytesIO(data)) as read:
        offsets = sorted([*(one.header_offset for one in read.infolist()), read.start_dir])
        begin = read.getinfo(name).header_offset
        return data[begin : offsets[offsets.index(begin) + 1]]


WAYS = [
    (s, z, m)
    for s in (False, True)
    for z in (False, True)
    for m in (zipfile.ZIP_DEFLATED, zipfile.ZIP_STORED)
]


@pytest.mark.parametrize(("streamed", "zip64", "method"), WAYS)
def test_read_and_written_back(streamed: bool, zip64: bool, method: int) -> None:
    """With and without descriptors, zip64 fields and compression."""
    data = package(entries(TEXT), streamed=streamed, zip64=zip64, method=method)
    found = opened(data)
    assert (sniff(data), found.kind, found.text, found.notes) == ("package", "package", TEXT, ())
    assert found.rebuilt(TEXT) == data and found.rebuilt(TEXT, {"prediction": "721"}) == data
    written = found.rebuilt(NEW, {"prediction": "745", "filament 1 used_m": "0.2"})
    again = opened(written)
    assert again.text == NEW and again.totals == found.totals | {
        "prediction": "745",
        "filament 1 used_m": "0.2",
    }
    wanted = entries(TEXT) | {
        PLATE: NEW, f"{PLATE}.md5": digest(NEW),
        SLICED: sliced((1, 745, "0.2")),
    }  # fmt: skip
    assert unzipped(written) == wanted and list(unzipped(written)) == list(wanted)
    assert all(raw(written, name) == raw(data, name) for name in (RELS, LIST, SETTINGS))


def test_a_file_with_the_records_of_zip64() -> None:
    """An end record of zip64 and its locator, as the layout has them, for a file that needs none."""
    data = package(entries(TEXT))
    end = data.rindex(b"PK\5\6")
    count, size, start = struct.unpack_from("<HII", data, end + 10)
    record = struct.pack("<4sQHHIIQQQQ", b"PK\6\6", 44, 45, 45, 0, 0, count, count, size, start)
    locator = struct.pack("<4sIQI", b"PK\6\7", 0, end, 1)
    tail = struct.pack("<4s4H2IH", b"PK\5\6", 0, 0, 0xFFFF, 0xFFFF, 0xFFFFFFFF, 0xFFFFFFFF, 0)
    wide = data[:end] + record + locator + tail
    assert unzipped(wide) == entries(TEXT)
    found = opened(wide)
    assert found.rebuilt(TEXT) == wide
    assert unzipped(found.rebuilt(NEW))[PLATE] == NEW and opened(found.rebuilt(NEW)).text == NEW
    odd = wide[:-22] + struct.pack("<4s4H2IH", b"PK\5\6", 0, 0, 3, 0xFFFF, 0xFFFFFFFF, 0xFFFFFFFF, 0)
    assert "as in the zip64 record" in refusal(odd)
    assert "zip64 locator" in refusal(
        data[:end] + record + struct.pack("<4sIQI", b"PK\6\7", 0, end + 3, 1) + tail
    )


def test_reserved_fields_comments_and_gaps_stay() -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made:
        for name, content in entries(TEXT).items():
            info = zipfile.ZipInfo(name)
            info.extra, info.comment = struct.pack("<HH", 0x9999, 16) + bytes(16), b"said"
            made.writestr(info, content)
        made.mkdir("Extra")
        made.comment = b"of the whole"
    data = out.getvalue()
    found = opened(data)
    assert "1 folders" in found.notes[0]
    assert found.rebuilt(TEXT) == data
    written = found.rebuilt(NEW)
    assert written.endswith(b"of the whole") and written.count(b"said") == len(entries())
    assert written.count(struct.pack("<HH", 0x9999, 16)) == data.count(struct.pack("<HH", 0x9999, 16))
    assert unzipped(written)[PLATE] == NEW


def test_descriptors_without_a_signature() -> None:
    """The layout lets writers leave it out; such files are rare."""
    data = package(entries(TEXT), streamed=True)
    signature = b"PK\7\x08"
    with zipfile.ZipFile(io.BytesIO(data)) as read:
        infos, start = read.infolist(), read.start_dir
    bare = bytearray(data.replace(signature, b""))
    assert len(data) - len(bare) == 4 * len(infos)
    at = start - 4 * len(infos)
    struct.pack_into("<I", bare, len(bare) - 6, at)
    for k, info in enumerate(infos):
        struct.pack_into("<I", bare, at + 42, info.header_offset - 4 * k)
        at += 46 + len(info.filename)
    assert unzipped(bytes(bare)) == entries(TEXT)
    found = opened(bytes(bare))
    assert found.rebuilt(TEXT) == bytes(bare)
    written = found.rebuilt(NEW)
    assert unzipped(written)[PLATE] == NEW and signature not in written and opened(written).text == NEW


# --- plates ------------------------------------------------------------------------------------------------------


def several() -> dict[str, bytes]:
    second = "Metadata/plate_3.gcode"
    return entries(TEXT) | {
        second: NEW, f"{second}.md5": digest(NEW), RELS: rels("/" + PLATE, "/" + second),
        LIST: plate_list((1, "clips", PLATE), (3, "lids", second)), SLICED: sliced((1, 721, "0.18"), (3, 99, "0.5")),
    }  # fmt: skip


def test_one_of_several_plates() -> None:
    data = package(several())
    with pytest.raises(UsageError, match="found 2 plates") as caught:
        opened(data)
    assert caught.value.hint == "Choose by number (--plate); there are 1 (clips), 3 (lids)."
    with pytest.raises(UsageError, match="no plate 2"):
        opened(data, 2)
    third = opened(data, 3)
    assert third.text == NEW and third.totals["prediction"] == "99" and third.notes == ()
    assert [one.number for one in third.plates] == [1, 3]
    written = third.rebuilt(TEXT + b"M18\n", {"prediction": "100", "filament 1 used_m": "0.6"})
    wanted = several() | {
        "Metadata/plate_3.gcode": TEXT + b"M18\n", "Metadata/plate_3.gcode.md5": digest(TEXT + b"M18\n"),
        SLICED: sliced((1, 721, "0.18"), (3, 100, "0.6")),
    }  # fmt: skip
    assert unzipped(written) == wanted
    assert raw(written, PLATE) == raw(data, PLATE)


@pytest.mark.parametrize("left_out", [[RELS], [RELS, LIST]])
def test_the_plate_is_found_by_its_list_or_its_name(left_out: list[str]) -> None:
    made = {name: content for name, content in several().items() if name not in left_out}
    found = opened(package(made), 3)
    assert found.text == NEW and found.notes == () and [one.number for one in found.plates] == [1, 3]


def test_a_plate_by_any_name_and_relative_target() -> None:
    made = entries() | {"Metadata/print.gcode": TEXT, RELS: rels("print.gcode"), LIST: plate_list()}
    found = opened(package(made))
    assert found.text == TEXT and found.totals["prediction"] == "721"
    assert "disagree on the plates' G-code" in found.notes[0] and "no digest" in found.notes[1]
    assert opened(package(made | {RELS: rels("../Metadata/./print.gcode")})).text == TEXT


def test_a_model_is_no_print() -> None:
    assert "a model, not a print" in refusal(package({"3D/3dmodel.model": b"<model/>"}))
    assert "no entry `metadata/plate_9.gcode`" in refusal(package(entries() | {RELS: rels("plate_9.gcode")}))


@pytest.mark.parametrize(
    "target", ["../../etc/x.gcode", "http://a.invalid/x", "..\\x", "/../x", "", "a/../.."]
)
def test_relationships_that_point_outside(target: str) -> None:
    assert "the target" in refusal(package(entries() | {RELS: rels(target)}))


# --- digest, settings, XML -----------------------------------------------------------------------------------------


def test_a_digest_that_disagrees_is_told_and_never_mended() -> None:
    data = package(entries(TEXT) | {f"{PLATE}.md5": digest(NEW)})
    found = opened(data)
    assert found.text == TEXT and "disagrees with the G-code's" in found.notes[0]
    assert found.rebuilt(TEXT) == data
    assert unzipped(found.rebuilt(TEXT, {"prediction": "1"}))[f"{PLATE}.md5"] == digest(NEW)
    with pytest.raises(Refused, match="its digest disagrees"):
        found.rebuilt(NEW)
    assert "no digest in it" in opened(package(entries(TEXT) | {f"{PLATE}.md5": b"none"})).notes[0]


def test_a_digest_keeps_its_case_and_its_line_end() -> None:
    data = package(entries(TEXT) | {f"{PLATE}.md5": digest(TEXT).lower() + b"\n"})
    found = opened(data)
    assert found.notes == ()
    assert unzipped(found.rebuilt(NEW))[f"{PLATE}.md5"] == digest(NEW).lower() + b"\n"


def test_settings_hold_no_secret() -> None:
    secret = b'{"print_host": "10.0.0.7", "printhost_apikey": "SESAME", "printhost_user": "kim", '
    made = entries() | {
        SETTINGS: secret
        + b'"printhost_password": "p", "a": ["1", "2%"], "b": ["x", "y"], "c": "l\\nm", "d": 3, "e": ["0x1", "2x3"]}'
    }
    found = opened(package(made))
    assert found.settings == {"a": "1,2%", "b": "x;y", "c": "l\\nm", "e": "0x1,2x3"}
    assert "SESAME" not in repr(found) and "kim" not in found.said.decode()
    assert "no JSON" in refusal(package(entries() | {SETTINGS: b"{"}))
    assert "no JSON" in refusal(package(entries() | {SETTINGS: b"[" * 200_000}))


@pytest.mark.parametrize(
    "bad",
    [
        b'<!DOCTYPE a [<!ENTITY b "cc">]><config>&b;</config>',
        b'<!DOCTYPE a SYSTEM "file:///etc/passwd"><config/>',
        b'<?xml version="1.0" encoding="utf-7"?><config/>',
        b"<config>",
        "<config/>".encode("utf-16"),
    ],
)
@pytest.mark.parametrize("name", [RELS, LIST, SLICED])
def test_xml_with_entities_or_none_at_all(bad: bytes, name: str) -> None:
    text = refusal(package(entries() | {name: bad}))
    assert name in text and "XML in UTF-8" in text


def test_totals_are_changed_where_they_stand_and_nothing_else() -> None:
    odd = (
        b"<config><plate><metadata\n key = \"index\"  value=\"1\"/><metadata value='721' key='prediction'></metadata>"
        b'<x note="a > b value=\'1\'"/><filament used_g="1" id="2" used_m = "3"/><metadata key="weight"/></plate>'
        b'<plate><metadata key="index" value="2"/><metadata key="prediction" value="5"/></plate></config>\r\n'
    )
    found = opened(package(entries(TEXT) | {SLICED: odd}))
    assert found.totals == {
        "prediction": "721",
        "filament 2 used_g": "1",
        "filament 2 used_m": "3",
        "weight": "",
    }
    written = unzipped(found.rebuilt(TEXT, {"prediction": "9", "filament 2 used_m": "<&\"'"}))[SLICED]
    assert written == odd.replace(b"721", b"9").replace(b'"3"', b'"&lt;&amp;&quot;&apos;"')
    with pytest.raises(Fault, match="do not read back"):
        found.rebuilt(TEXT, {"weight": "4"})


def test_a_total_with_a_line_break_is_passed_over_and_stays() -> None:
    odd = sliced((1, 721, "0.18")).replace(b'"721"', b'"12&#10;; weight = 9"')
    found = opened(package(entries(TEXT) | {SLICED: odd}))
    assert "prediction" not in found.totals and found.totals["weight"] == "0.55"
    assert any("'prediction' has a line break" in note for note in found.notes)
    new = found.restated_in(found.said.replace(b"weight = 0.55", b"weight = 0.6"))
    assert new == {"weight": "0.6"}
    written = unzipped(found.rebuilt(TEXT, new))[SLICED]
    assert written == odd.replace(b'"weight" value="0.55"', b'"weight" value="0.6"')


# --- what a careful reader refuses ---------------------------------------------------------------------------------


def patched(name: str, place: int, form: str, value: int, *, local: bool, central: bool) -> bytes:
    """A number changed in an entry's headers; `place` counts in the local header, 2 more in the directory."""
    data = bytearray(package(entries(TEXT)))
    with zipfile.ZipFile(io.BytesIO(bytes(data))) as read:
        offset = read.getinfo(name).header_offset
        at = read.start_dir
    while data[at + 46 : at + 46 + len(name)] != name.encode() or data[at + 28] != len(name):
        n, m, k = struct.unpack_from("<3H", data, at + 28)
        at += 46 + n + m + k
    if local:
        struct.pack_into(form, data, offset + place, value)
    if central:
        struct.pack_into(form, data, at + place + 2, value)
    return bytes(data)


@pytest.mark.parametrize(
    ("place", "form", "value", "local", "central", "said"),
    [
        (6, "<H", 1, True, True, "encrypted"),
        (6, "<H", 64, True, True, "encrypted"),
        (8, "<H", 12, True, True, "compression method 12"),
        (8, "<H", 0, True, False, "method 0 in its header"),
        (14, "<I", 5, True, False, "sums"),
        (14, "<I", 5, True, True, "CRC"),
        (18, "<I", 40, True, True, "rest|nothing behind them|overlaps|damage"),
        (22, "<I", 40, True, True, "nothing behind them"),
        (22, "<I", 41, False, True, "sums"),
        (6, "<H", 8, True, True, "another descriptor"),
        (6, "<H", 8, False, True, "flags"),
        (18, "<I", 2**31, True, True, "an end by the directory"),
        (30, "<B", 0x4E, True, False, "name 'Netadata"),
    ],
)
def test_headers_that_lie(place: int, form: str, value: int, local: bool, central: bool, said: str) -> None:
    text = refusal(patched(PLATE, place, form, value, local=local, central=central))
    assert any(word in text for word in said.split("|")) and "plate_1.gcode" in text


def test_offsets_that_overlap_or_leave_the_file() -> None:
    data = package(entries(TEXT))
    first, second = (data.index(b"PK\1\2") + 42, data.index(b"PK\1\2", data.index(b"PK\1\2") + 4) + 42)
    twice = bytearray(data)
    twice[second : second + 4] = twice[first : first + 4]
    assert "in its header" in refusal(bytes(twice))  # another name stands there
    away = bytearray(data)
    struct.pack_into("<I", away, first, 2**31)
    assert "no local header" in refusal(bytes(away))
    out = io.BytesIO()
    inner = package({"a": b"x"}, method=zipfile.ZIP_STORED)
    with zipfile.ZipFile(out, "w") as made:
        made.writestr(PLATE, inner)
        made.writestr("a", b"x")
    within = bytearray(out.getvalue())
    at = within.rindex(b"PK\1\2") + 42
    struct.pack_into("<I", within, at, within.index(b"PK\3\4", 4))  # the entry inside the other's bytes
    assert "it overlaps" in refusal(bytes(within))


@pytest.mark.parametrize("name", ["/a", "../a", "a/../b", "a\\b", "C:a", "a//b", "./a", ".."])
def test_names_that_lead_elsewhere(name: str) -> None:
    assert "the name" in refusal(package(entries() | {name: b""}))


def test_double_names_and_links() -> None:
    assert "a second entry" in refusal(package(entries() | {PLATE.upper(): b""}))
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as made:
        info = zipfile.ZipInfo("a")
        info.create_system, info.external_attr = 3, (stat.S_IFLNK | 0o777) << 16
        made.writestr(info, b"/etc/passwd")
    assert "a link" in refusal(out.getvalue())


def test_end_records() -> None:
    data = package(entries(TEXT))
    assert "none" in refusal(data[:-30])
    assert "does not end with the file" in refusal(data + b"x")
    assert "a second end record" in refusal(data[:-2] + struct.pack("<H", 22) + data[-22:])
    for place, form, value, said in (
        (4, "<H", 1, "one disk"), (8, "<H", 1, "one disk"), (12, "<I", 9, "a directory that ends"),
        (16, "<I", 9, "a directory that ends"),
    ):  # fmt: skip
        broken = bytearray(data)
        struct.pack_into(form, broken, len(data) - 22 + place, value)
        assert said in refusal(bytes(broken))
    fewer = bytearray(data)
    struct.pack_into("<HH", fewer, len(data) - 14, 3, 3)
    assert "6 entries in the directory" in refusal(bytes(fewer))


def test_bombs() -> None:
    data = package(entries(bytes(100_000)))
    assert "more than 5000 bytes" in refusal(data, ratio=10, ratio_from_bytes=5000)
    assert "more than 999 bytes" in refusal(data, text_bytes=999)
    assert "more than" in refusal(package(entries(TEXT)), total_bytes=len(TEXT) + 100)
    assert "at most 5" in refusal(data, parts=5)
    assert "more than 200 bytes" in refusal(package(entries(TEXT)), part_bytes=200)
    lying = patched(PLATE, 22, "<I", 10, local=True, central=True)
    assert "nothing behind them" in refusal(lying)


def test_truncated_anywhere_is_refused() -> None:
    data = package(entries(TEXT))
    for length in [*range(4, len(data), 37), *range(len(data) - 22, len(data))]:
        refusal(data[:length])


def test_nothing_left_to_write_is_refused() -> None:
    with pytest.raises(Refused, match="no G-code left"):
        opened(package(entries(TEXT))).rebuilt(b"")


def test_a_container_inside() -> None:
    assert "a gz container inside a package" in refusal(package(entries(b"\x1f\x8b\x08")))
