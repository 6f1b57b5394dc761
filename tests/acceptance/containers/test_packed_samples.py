"""Sliced files in containers are treated as their text is, and nothing else in the container changes."""

from __future__ import annotations

import gzip
import hashlib
import io
import re
import zipfile
from pathlib import Path

import pytest
from own_readers import text_of, walk

from gcodetools.errors import AlreadyTreated
from gcodetools.jobs.apply import Applied, Options, apply_file, apply_plate, read_plate, write
from gcodetools.jobs.compare import compare_files
from gcodetools.jobs.estimate import estimate_plate
from gcodetools.jobs.inspect import inspect_plate
from gcodetools.jobs.report import report_plates
from gcodetools.toolpath.plate import Plate

NOTHING = "{speed: {scale: 100%}, flow: {scale: 100%}, accel: {max: 100000}, fan: {cap: 100%}}"
NEW_BEADS = "{perimeters: {add: 1}, infill: solid, fan: {cap: 20%}, force: true}"
OURS = re.compile(rb"^; beadwright .*\r?\n", re.MULTILINE)
SECONDS = {"d": 86400, "h": 3600, "m": 60, "s": 1}

_applied: dict[tuple[str, str], Applied] = {}


def treated(sample, probe, treat: str) -> Applied:
    """A sample treated in its container, once a run."""
    key = (sample.kind, treat)
    if key not in _applied:
        kit = probe.kit(sample.plate, probe.slab(sample.plate), treat)
        _applied[key] = apply_plate(sample.plate, kit, Options((), verify=True))
    return _applied[key]


def seconds(text: str) -> int:
    return sum(int(number) * SECONDS[unit] for number, unit in re.findall(r"(\d+)([dhms])", text))


def without_names(value):
    """A record without what only names the file."""
    if isinstance(value, dict):
        return {k: without_names(v) for k, v in value.items() if k not in ("file", "container")}
    return [without_names(one) for one in value] if isinstance(value, list) else value


def test_what_is_read_is_what_its_twin_says(sample_in, probe):
    plate, twin = sample_in.plate, sample_in.twin
    kit = probe.kit(plate, probe.slab(plate), None)
    record, _ = inspect_plate(plate, kit, Options(()))
    other, _ = inspect_plate(twin, kit, Options(()))
    assert record["container"]["kind"] == sample_in.kind and "container" not in other
    apart = {"file", "container", *(("lines", "bytes") if sample_in.kind == "binary" else ())}
    assert {k for k in record if record[k] != other.get(k)} <= apart
    # The settings and totals of a binary container are none of its text's.
    assert plate.totals == twin.totals and plate.settings.limits == twin.settings.limits
    names = set(type(plate.settings).__dataclass_fields__) - {"raw", "limits"}
    assert {n for n in names if getattr(plate.settings, n) != getattr(twin.settings, n)} == set()
    if sample_in.kind == "binary":
        assert Plate.from_bytes(plate.render(), "bare").totals.time_s is None


def test_estimate_and_page_are_those_of_the_twin(packed, probe, few_cells):
    sample = packed("package")
    kit = probe.kit(sample.plate, probe.slab(sample.plate), "{speed: {scale: 80%}}")
    one, _ = estimate_plate(sample.plate, kit, Options(()))
    other, _ = estimate_plate(sample.twin, kit, Options(()))
    assert one["regions"] and without_names(one) == without_names(other)
    pages = [report_plates(plate, None, kit, Options(()))[0] for plate in (sample.plate, sample.twin)]
    assert pages[0]["file"] == sample.path.name
    assert without_names(pages[0]) == without_names(pages[1])


def test_a_kit_that_changes_nothing_gives_the_very_file(sample_in, probe):
    applied = treated(sample_in, probe, NOTHING)
    assert applied.placed.poses and applied.treated.render_file() == sample_in.data
    assert sample_in.plate.render_file() == sample_in.data


@pytest.mark.every(1)
@pytest.mark.parametrize("what", ["six", "new"])
def test_the_text_is_treated_as_a_plain_file_is(sample_in, probe, what):
    treat = probe.six(sample_in.plate) if what == "six" else NEW_BEADS
    applied = treated(sample_in, probe, treat)
    assert applied.audit.differing == 0 and applied.audit.whole_file
    found = text_of(sample_in.kind, applied.treated.render_file())
    plain = Plate.from_bytes(sample_in.plate.render(), "plain", sample_in.plate.said)
    kit = probe.kit(plain, probe.slab(plain), treat)
    as_plain = apply_plate(plain, kit, Options(())).treated.render()
    assert OURS.sub(b"", found) == OURS.sub(b"", as_plain) != OURS.sub(b"", sample_in.plate.render())
    assert found == applied.treated.render() and b"; beadwright record 1" in found


def test_the_record_names_the_file_as_it_was_given(sample_in, probe):
    applied = treated(sample_in, probe, probe.six(sample_in.plate))
    file, text = (hashlib.sha256(one).hexdigest() for one in (sample_in.data, sample_in.plate.render()))
    said = OURS.findall(applied.treated.render())
    assert f"; beadwright original: sha256 {file}".encode() in b"".join(said)
    assert f"; beadwright text: sha256 {text}, plate 1 of a {sample_in.kind}".encode() in b"".join(said)
    assert applied.summary["digest"] == hashlib.sha256(applied.treated.render_file()).hexdigest()


def test_blocks_beside_the_text_stay(packed, probe):
    sample = packed("binary")
    applied = treated(sample, probe, probe.six(sample.plate))
    before, after = walk(sample.data), walk(applied.treated.render_file())
    beside = [[block for block in blocks if block.kind != 1] for blocks in (before, after)]
    changed = [a.kind for a, b in zip(*beside, strict=True) if a.stored != b.stored]
    assert changed == [3, 4]  # printer and print metadata, for the totals
    forms = {(block.stored[:4], block.encoding) for block in before if block.kind == 1}
    assert {(block.stored[:4], block.encoding) for block in after if block.kind == 1} == forms
    # Its twin, treated as a plain file, states the same, in comments.
    kit = probe.kit(sample.twin, probe.slab(sample.twin), probe.six(sample.twin))
    told = apply_plate(sample.twin, kit, Options(())).treated.render().decode()
    stated = dict(
        re.findall(r"^; ((?:total )?(?:filament used|filament cost|estimated)[^=]*) = (.*)$", told, re.M)
    )
    assert len(stated) == 8 and stated["estimated printing time (normal mode)"] != "32m 6s"
    totals = [
        {key: value for key, value in block.pairs.items() if key in stated}
        for block in after
        if block.kind in (3, 4)
    ]
    assert sorted(map(len, totals)) == [5, 8]
    for found in totals:
        assert found == {key: stated[key] for key in found}
    # What else stands in them is as it was.
    for a, b in zip(*beside, strict=True):
        if a.kind in (3, 4):
            assert {k: v for k, v in a.pairs.items() if k not in stated} == {
                k: v for k, v in b.pairs.items() if k not in stated
            }


def test_entries_beside_the_text_stay(packed, probe):
    sample = packed("package")
    applied = treated(sample, probe, probe.six(sample.plate))
    out = applied.treated.render_file()
    with zipfile.ZipFile(io.BytesIO(sample.data)) as a, zipfile.ZipFile(io.BytesIO(out)) as b:
        assert a.namelist() == b.namelist() and b.testzip() is None
        differ = [name for name in a.namelist() if a.read(name) != b.read(name)]
        plate = "Metadata/plate_1.gcode"
        assert set(differ) == {plate, f"{plate}.md5", "Metadata/slice_info.config"}
        text = b.read("Metadata/plate_1.gcode")
        assert b.read("Metadata/plate_1.gcode.md5").decode() == hashlib.md5(text).hexdigest().upper()
        told, was = (zipped.read("Metadata/slice_info.config").decode() for zipped in (b, a))
        for name in a.namelist():  # compressed bytes too
            if name not in differ:
                assert raw_entry(sample.data, a.getinfo(name)) == raw_entry(out, b.getinfo(name))
    stated = seconds(re.search(rb"total estimated time: (.*)", text)[1].decode())
    assert re.search(r'key="prediction" value="(\d+)"', told)[1] == str(stated) != "721"
    weight = re.search(rb"total filament weight \[g\] : (\S+)", text)[1].decode()
    assert re.search(r'key="weight" value="(\S+)"', told)[1] == weight
    assert re.sub(r'(prediction" value=)"\d+"', r'\1"721"', told) == was


def raw_entry(data: bytes, info: zipfile.ZipInfo) -> bytes:
    """An entry's bytes from its local header on, as stored."""
    names = int.from_bytes(data[info.header_offset + 26 : info.header_offset + 28], "little")
    extra = int.from_bytes(data[info.header_offset + 28 : info.header_offset + 30], "little")
    return data[info.header_offset : info.header_offset + 30 + names + extra + info.compress_size]


def test_more_filament_is_told_in_the_package_too(packed, probe):
    sample = packed("package")
    kit = probe.kit(sample.plate, "all", "{flow: {scale: 130%, outer: true}}")
    applied = apply_plate(sample.plate, kit, Options((), machine=None))
    with zipfile.ZipFile(io.BytesIO(applied.treated.render_file())) as zipped:
        told = zipped.read("Metadata/slice_info.config").decode()
        text = zipped.read("Metadata/plate_1.gcode").decode()
    length = float(re.search(r"total filament length \[mm\] : (\S+)", text)[1])
    weight = float(re.search(r"total filament weight \[g\] : (\S+)", text)[1])
    assert length > 179.02 * 1.1
    assert float(re.search(r'used_m="(\S+)"', told)[1]) == round(0.18 * length / 179.02, 2)
    assert float(re.search(r'used_g="(\S+)"', told)[1]) == weight
    assert float(re.search(r'key="weight" value="(\S+)"', told)[1]) == weight


def test_keep_times_leaves_the_totals(packed, probe):
    sample = packed("binary")
    kit = probe.kit(sample.plate, probe.slab(sample.plate), probe.six(sample.plate))
    applied = apply_plate(sample.plate, kit, Options((), keep_times=True))
    before, after = walk(sample.data), walk(applied.treated.render_file())
    assert [a.stored for a in before if a.kind != 1] == [b.stored for b in after if b.kind != 1]


def test_unpacked_gives_the_text(sample_in, probe, tmp_path):
    kit = probe.kit(sample_in.plate, probe.slab(sample_in.plate), probe.six(sample_in.plate))
    applied = apply_plate(sample_in.plate, kit, Options((), unpacked=True))
    write(applied, tmp_path / "plain.gcode")
    other = treated(sample_in, probe, probe.six(sample_in.plate))
    assert (tmp_path / "plain.gcode").read_bytes() == other.treated.render()
    assert applied.summary["container"]["unpacked"] is True


def test_a_treated_container_is_known(sample_in, probe, tmp_path):
    path = tmp_path / sample_in.path.name
    path.write_bytes(treated(sample_in, probe, probe.six(sample_in.plate)).treated.render_file())
    with pytest.raises(AlreadyTreated, match="treated already"):
        read_plate(path, again=False)
    plate = read_plate(path)
    assert inspect_plate(plate, None, Options(()))[0]["treated"] is True
    assert plate.totals.time_s != sample_in.plate.totals.time_s
    # Compared with the text twin or the container, its clock goes on from the first's.
    for before in (sample_in.path, sample_in.twin_path) if sample_in.kind != "binary" else (sample_in.path,):
        record, _ = compare_files(before, path, Options(()))
        assert record["after_is_before_treated"] and not record["identical"]
        scales = {record["files"][side]["scaled_by"] for side in ("before", "after")}
        assert len(scales) == 1


def test_a_gz_keeps_its_header(packed, probe):
    sample = packed("gz")
    out = treated(sample, probe, probe.six(sample.plate)).treated.render_file()
    assert out[:10] == sample.data[:10]
    assert gzip.decompress(out).count(b"\r\n") == gzip.decompress(out).count(b"\n")


def test_apply_reads_and_writes_files(packed, probe, tmp_path: Path):
    """The path of a command: file in, file out, opened again."""
    sample = packed("package")
    kit = tmp_path / "a.kit.yaml"
    kit.write_text(probe.text(sample.plate, probe.slab(sample.plate), "{speed: {scale: 80%}}"))
    applied = apply_file(sample.path, Options((kit,)))
    write(applied, tmp_path / "out.gcode.3mf")
    again = read_plate(tmp_path / "out.gcode.3mf")
    assert again.render() == applied.treated.render() and again.container.notes == ()
    assert (tmp_path / "out.gcode.3mf").read_bytes() == applied.treated.render_file()
