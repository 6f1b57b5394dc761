"""Records of a zip file: the central directory read with care, every entry's raw bytes known, entries replaced.

Nothing is unpacked to disk. What two readers may understand differently is refused: double names, overlaps,
local and central headers that disagree, several end records. Written back, unchanged entries are copied with their
local header, compressed bytes and descriptor; the directory and the end records get new offsets.

Source of the layout: APPNOTE.TXT 6.3.9 of the zip format, from memory; the standard library's `zipfile` is the
tests' outside oracle.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import field, replace

from gcodetools.errors import InputError, Refused
from gcodetools.gcode.containers.base import Limits, damaged
from gcodetools.gcode.containers.compression import BARE, deflate, inflate
from gcodetools.records import dataclass

__all__ = ["Archive", "Entry", "read_archive"]

STORED, DEFLATED = 0, 8
_ENCRYPTED, _DESCRIPTOR, _UTF8 = 1 | 1 << 6 | 1 << 13, 1 << 3, 1 << 11
_MAX2, _MAX4 = 0xFFFF, 0xFFFFFFFF
_LOCAL = struct.Struct("<4s5H3I2H")
_CENTRAL = struct.Struct("<4s6H3I5H2I")
_END = struct.Struct("<4s4H2IH")
_END64 = struct.Struct("<4sQ2H2I4Q")
_LOCATOR = struct.Struct("<4sIQI")
_LOCAL_MAGIC, _CENTRAL_MAGIC, _END_MAGIC = b"PK\x03\x04", b"PK\x01\x02", b"PK\x05\x06"
_END64_MAGIC, _LOCATOR_MAGIC, _DESCRIPTOR_MAGIC = b"PK\x06\x06", b"PK\x06\x07", b"PK\x07\x08"
_ZIP64_EXTRA = 1
_UNIX, _LINK, _KIND_MASK = 3, 0o120000, 0o170000
_TRICK = "It may have been made to mislead; export the file again."


@dataclass(frozen=True, slots=True)
class Entry:
    """An entry: name, codes and sizes of the central directory, and where its bytes stand.

    central, central_end : of its record in the directory. offset : of its local header; data_begin, data_end : of
    its compressed bytes; end : behind its descriptor. descriptor : its bytes before (signature and) numbers: "" for
    none, else a struct format of its numbers, with `signed` for the signature.
    """

    name: str
    flags: int
    method: int
    crc: int
    packed_size: int
    size: int
    offset: int
    central: int
    central_end: int
    is_link: bool
    data_begin: int = 0
    data_end: int = 0
    end: int = 0
    descriptor: str = ""
    signed: bool = False

    @property
    def is_folder(self) -> bool:
        """A directory entry."""
        return self.name.endswith("/")


@dataclass(frozen=True, slots=True)
class Archive:
    """A zip file's bytes, its entries in the directory's order, where the directory and the end records stand.

    end64 : offset of the zip64 end record, -1 for none. gaps : bytes that no entry holds.
    """

    name: str
    data: bytes = field(repr=False)
    entries: tuple[Entry, ...]
    directory: int
    end64: int
    end: int
    gaps: int
    limits: Limits

    def find(self, name: str) -> Entry | None:
        """The entry of a name, whatever its case; None for none."""
        return next((entry for entry in self.entries if entry.name.casefold() == name.casefold()), None)

    def read(self, entry: Entry, most: int) -> bytes:
        """An entry's bytes, checked.

        Raises
        ------
        InputError : damaged, or more than `most`.
        """
        stored = memoryview(self.data)[entry.data_begin : entry.data_end]
        most = self.limits.most(len(stored), most)
        if entry.method == STORED:
            result, used, whole = bytes(stored[: most + 1]), len(stored), True
        else:
            try:
                result, used, whole = inflate(stored, BARE, most)
            except zlib.error as error:
                raise damaged(self.name, entry.name, f"damage ({error})", "deflate") from None
        if len(result) > most:
            raise damaged(
                self.name, entry.name, f"more than {most} bytes from {len(stored)}", "a sliced file", _TRICK
            )
        if not whole or used != len(stored) or len(result) != entry.size:
            raise damaged(
                self.name, entry.name, f"{len(result)} bytes", f"{entry.size}, and nothing behind them"
            )
        if zlib.crc32(result) != entry.crc:
            raise damaged(self.name, entry.name, f"CRC {zlib.crc32(result):08x}", f"{entry.crc:08x}")
        return result

    def check_all(self) -> None:
        """Unpack every entry once, and throw it away.

        Raises
        ------
        InputError : damaged, or more than the limits, one by one or together.
        """
        room = self.limits.total_bytes
        for entry in self.entries:
            room -= len(self.read(entry, min(room, self.limits.text_bytes)))

    def with_entries(self, contents: Mapping[str, bytes]) -> bytes:
        """The file with new contents of some entries (by their exact names); the very bytes where there are none.

        Raises
        ------
        Refused : a content too large for an entry without zip64.
        """
        if not contents:
            return self.data
        in_order = sorted(self.entries, key=lambda entry: entry.offset)
        parts, at, written = [], 0, 0
        moved: dict[int, tuple[int, Entry]] = {}
        for entry in in_order:
            new, segment = entry, [self.data[entry.offset : entry.end]]
            if entry.name in contents:
                new, segment = self._replaced(entry, contents[entry.name])
            parts += [self.data[at : entry.offset], *segment]
            written += entry.offset - at
            moved[entry.central] = (written, new)
            written += sum(map(len, segment))
            at = entry.end
        parts.append(self.data[at : self.directory])
        start = written + self.directory - at
        directory = b"".join(self._central(entry, *moved[entry.central]) for entry in self.entries)
        return b"".join([*parts, directory, self._tail(start, len(directory))])

    def _replaced(self, entry: Entry, content: bytes) -> tuple[Entry, list[bytes]]:
        packed = deflate(content, BARE) if entry.method == DEFLATED else content
        crc = zlib.crc32(content)
        new = replace(entry, crc=crc, packed_size=len(packed), size=len(content))
        head = bytearray(self.data[entry.offset : entry.data_begin])
        _, _, flags, _, _, _, old_crc, old_packed, old_size, name_length, _ = _LOCAL.unpack_from(head)
        extra_at = _LOCAL.size + name_length
        # Behind a descriptor's flag the header holds zeros, or the numbers once more.
        if not flags & _DESCRIPTOR or old_crc:
            struct.pack_into("<I", head, 14, crc)
        for place, old, value in ((22, old_size, len(content)), (18, old_packed, len(packed))):
            if old == _MAX4:
                continue
            if value >= _MAX4:
                raise Refused(
                    f"{self.name}: {entry.name}: {value} bytes are too many for it", "Treat less at once."
                )
            if not flags & _DESCRIPTOR or old:
                struct.pack_into("<I", head, place, value)
        wide = [v for old, v in ((old_size, len(content)), (old_packed, len(packed))) if old == _MAX4]
        if wide:
            _fill_zip64(head, extra_at, wide, keep_zeros=bool(flags & _DESCRIPTOR))
        descriptor = b""
        if entry.descriptor:
            descriptor = struct.pack(entry.descriptor, crc, len(packed), len(content))
            descriptor = (_DESCRIPTOR_MAGIC if entry.signed else b"") + descriptor
        return new, [bytes(head), packed, descriptor]

    def _central(self, old: Entry, offset: int, new: Entry) -> bytes:
        """A record of the directory with new numbers where they changed."""
        head = bytearray(self.data[old.central : old.central_end])
        fields = _CENTRAL.unpack_from(head)
        name_length = fields[10]
        struct.pack_into("<I", head, 16, new.crc)
        wide = []
        for place, was, value in (
            (24, fields[9], new.size),
            (20, fields[8], new.packed_size),
            (42, fields[16], offset),
        ):
            if was == _MAX4:
                wide.append(value)
                continue
            if value >= _MAX4:
                raise Refused(f"{self.name}: {old.name}: the file would need zip64", "Treat less at once.")
            struct.pack_into("<I", head, place, value)
        if wide:
            _fill_zip64(head, _CENTRAL.size + name_length, wide)
        return bytes(head)

    def _tail(self, start: int, size: int) -> bytes:
        """The end records with the directory's new place and size."""
        end = bytearray(self.data[self.end :])
        told = _END.unpack_from(end)
        for place, was, value in ((12, told[5], size), (16, told[6], start)):
            if was != _MAX4:
                struct.pack_into("<I", end, place, value)
        if self.end64 < 0:
            return bytes(end)
        tail = bytearray(self.data[self.end64 : self.end])
        struct.pack_into("<QQ", tail, 40, size, start)
        struct.pack_into("<Q", tail, len(tail) - _LOCATOR.size + 8, start + size)
        return bytes(tail + end)


def _fill_zip64(head: bytearray, at: int, values: list[int], keep_zeros: bool = False) -> None:
    """Put numbers into the zip64 field of the extra fields that begin at `at`; keep_zeros : but where it says none."""
    while at + 4 <= len(head):
        kind, length = struct.unpack_from("<HH", head, at)
        if kind == _ZIP64_EXTRA:
            if not keep_zeros or any(head[at + 4 : at + 4 + 8 * len(values)]):
                struct.pack_into(f"<{len(values)}Q", head, at + 4, *values)
            return
        at += 4 + length


# --- reading -----------------------------------------------------------------------------------------------------


def read_archive(data: bytes, name: str, limits: Limits) -> Archive:
    """Read a zip file's records; nothing is unpacked.

    Raises
    ------
    InputError : damaged, or what a careful reader does not take.
    """
    end = _end_record(data, name)
    _, disk, first_disk, here, count, size, start, _ = _END.unpack_from(data, end)
    end64, told_end = -1, end
    if data[max(end - _LOCATOR.size, 0) : end].startswith(_LOCATOR_MAGIC):
        end64 = told_end = _end64_record(data, end, name)
        wide = _END64.unpack_from(data, end64)
        _agrees64(name, end, (disk, first_disk, here, count, size, start), wide[4:])
        disk, first_disk, here, count, size, start = wide[4:]
    where = f"end record at offset {end}"
    if disk or first_disk or here != count:
        raise damaged(name, where, f"disk {disk} of several", "a file on one disk", "Join the parts first.")
    if start + size != told_end:
        raise damaged(name, where, f"a directory that ends at offset {start + size}", f"{told_end}")
    if count > limits.parts:
        raise damaged(name, where, f"{count} entries", f"at most {limits.parts}", _TRICK)
    entries = list(_directory(data, start, told_end, name))
    if len(entries) != count:
        raise damaged(name, where, f"{len(entries)} entries in the directory", f"{count}")
    _require_names(entries, name)
    placed = [_placed(data, entry, start, name) for entry in entries]
    gaps = _require_apart(placed, start, name)
    return Archive(name, data, tuple(placed), start, end64, end, gaps, limits)


def _end_record(data: bytes, name: str) -> int:
    """Offset of the one end record.

    Raises
    ------
    InputError : none, several, or bytes behind it.
    """
    first = max(len(data) - _END.size - _MAX2, 0)
    found = [at for at in _places(data, _END_MAGIC, first) if at + _END.size <= len(data)]
    fitting = [at for at in found if at + _END.size + _END.unpack_from(data, at)[7] == len(data)]
    if not fitting:
        what = f"one at offset {found[-1]} that does not end with the file" if found else "none"
        raise damaged(
            name, "end record of the zip", what, "one at the end of the file", "Copy the file again."
        )
    behind = [at for at in found if at > fitting[0]]
    if behind:
        raise damaged(name, f"offset {behind[0]}", "a second end record", "one", _TRICK)
    return fitting[0]


def _places(data: bytes, what: bytes, at: int) -> Iterator[int]:
    while (at := data.find(what, at)) >= 0:
        yield at
        at += 1


def _end64_record(data: bytes, end: int, name: str) -> int:
    """Offset of the zip64 end record.

    Raises
    ------
    InputError : it is not there.
    """
    locator = end - _LOCATOR.size
    _, disk, at, disks = _LOCATOR.unpack_from(data, locator)
    whole = at + _END64.size <= locator and data.startswith(_END64_MAGIC, at)
    if not whole or disk or disks > 1 or at + 12 + _END64.unpack_from(data, at)[1] != locator:
        raise damaged(
            name, f"zip64 locator at offset {locator}", f"offset {at}", "the record before the locator"
        )
    return int(at)


def _agrees64(name: str, end: int, narrow: tuple[int, ...], wide: tuple[int, ...]) -> None:
    most = (_MAX2,) * 4 + (_MAX4,) * 2
    if any(a not in (b, m) for a, b, m in zip(narrow, wide, most, strict=True)):
        raise damaged(
            name, f"end record at offset {end}", f"{narrow}", f"{wide} as in the zip64 record", _TRICK
        )


def _directory(data: bytes, at: int, end: int, name: str) -> Iterator[Entry]:
    while at < end:
        entry = _central_record(data, at, end, name)
        yield entry
        at = entry.central_end


def _central_record(data: bytes, at: int, end: int, name: str) -> Entry:
    """A record of the directory.

    Raises
    ------
    InputError : damaged, or what is not taken.
    """
    where = f"directory at offset {at}"
    if at + _CENTRAL.size > end or not data.startswith(_CENTRAL_MAGIC, at):
        raise damaged(name, where, f"{data[at : at + 4]!r}", f"an entry ({_CENTRAL_MAGIC!r})")
    (
        _, made_by, _, flags, method, _, _, crc, packed, size, name_length, extra_length, comment_length, disk, _,
        outside, offset,
    ) = _CENTRAL.unpack_from(data, at)  # fmt: skip
    name_at = at + _CENTRAL.size
    extra_at = name_at + name_length
    record_end = extra_at + extra_length + comment_length
    if record_end > end:
        raise damaged(name, where, f"an entry that ends at offset {record_end}", f"one that ends by {end}")
    raw = data[name_at:extra_at]
    title = _title(raw, flags, where, name)
    wide = _wide(data[extra_at : extra_at + extra_length], (size, packed, offset), f"{name}: {title}")
    size, packed, offset = wide
    if flags & _ENCRYPTED:
        raise damaged(
            name, title, "an encrypted entry", "one that can be read", "Export it without a password."
        )
    if method not in (STORED, DEFLATED):
        raise damaged(
            name, title, f"compression method {method}", "0 (stored) or 8 (deflate)", "Zip it anew."
        )
    if disk not in (0, _MAX2):
        raise damaged(name, title, f"disk {disk}", "disk 0", "Join the parts first.")
    is_link = made_by >> 8 == _UNIX and (outside >> 16) & _KIND_MASK == _LINK
    return Entry(title, flags, method, crc, packed, size, offset, at, record_end, is_link)


def _title(raw: bytes, flags: int, where: str, name: str) -> str:
    try:
        return raw.decode("utf-8" if flags & _UTF8 else "cp437")
    except UnicodeDecodeError:
        raise damaged(name, where, f"the name {raw[:60]!r}", "UTF-8") from None


def _wide(extra: bytes, narrow: tuple[int, ...], where: str) -> tuple[int, ...]:
    """Numbers, each from the zip64 field where it is told to be there.

    Raises
    ------
    InputError : the field is too short.
    """
    if _MAX4 not in narrow:
        return narrow
    at = 0
    while at + 4 <= len(extra):
        kind, length = struct.unpack_from("<HH", extra, at)
        if kind == _ZIP64_EXTRA:
            needed = 8 * sum(1 for value in narrow if value == _MAX4)
            if length >= needed and at + 4 + length <= len(extra):
                values = iter(struct.unpack_from(f"<{needed // 8}Q", extra, at + 4))
                return tuple(next(values) if value == _MAX4 else value for value in narrow)
            break
        at += 4 + length
    raise InputError(f"{where}: found no zip64 sizes, expected them in the extra field", "Zip it anew.")


def _require_names(entries: list[Entry], name: str) -> None:
    """Refuse names that lead elsewhere, links, and names that are the same to some readers.

    Raises
    ------
    InputError : such an entry.
    """
    seen: dict[str, str] = {}
    for entry in entries:
        parts = entry.name.removesuffix("/").split("/")
        odd = any(c in entry.name for c in "\\:\0") or any(part in ("", ".", "..") for part in parts)
        if odd:
            raise damaged(
                name, "entry", f"the name {entry.name[:200]!r}", "a plain path inside the package", _TRICK
            )
        if entry.is_link:
            raise damaged(name, entry.name, "a link", "a file", _TRICK)
        key = entry.name.casefold()
        if key in seen:
            raise damaged(name, entry.name, f"a second entry of that name (`{seen[key]}`)", "one", _TRICK)
        seen[key] = entry.name


def _placed(data: bytes, entry: Entry, directory: int, name: str) -> Entry:
    """An entry with the places of its bytes, its local header held against the directory.

    Raises
    ------
    InputError : they disagree, or it leaves the file.
    """
    at = entry.offset
    if at + _LOCAL.size > directory or not data.startswith(_LOCAL_MAGIC, at):
        raise damaged(name, entry.name, f"no local header at offset {at}", "one before the directory")
    _, _, flags, method, _, _, crc, packed, size, name_length, extra_length = _LOCAL.unpack_from(data, at)
    name_at = at + _LOCAL.size
    data_begin = name_at + name_length + extra_length
    extra = data[name_at + name_length : data_begin]
    wide = _MAX4 in (size, packed)
    size, packed = _wide(extra, (size, packed), f"{name}: {entry.name}")
    numbers, told = (crc, packed, size), (entry.crc, entry.packed_size, entry.size)
    late = bool(flags & _DESCRIPTOR)
    alike = all(a == b or (late and a == 0) for a, b in zip(numbers, told, strict=True))
    title = _title(data[name_at : name_at + name_length], flags, entry.name, name)
    for what, here, there in (
        ("name", title, entry.name),
        ("method", method, entry.method),
        ("flags", flags & (_ENCRYPTED | _DESCRIPTOR), entry.flags & (_ENCRYPTED | _DESCRIPTOR)),
        ("sums", told if alike else numbers, told),
    ):
        if here != there:
            raise damaged(
                name, entry.name, f"{what} {here!r} in its header", f"{there!r} as in the directory", _TRICK
            )
    data_end = data_begin + entry.packed_size
    if data_end > directory:
        raise damaged(
            name, entry.name, f"bytes up to offset {data_end}", f"an end by the directory at {directory}"
        )
    if not late:
        return replace(entry, data_begin=data_begin, data_end=data_end, end=data_end)
    form, signed, end = _descriptor(data, data_end, told, wide, f"{name}: {entry.name}")
    return replace(entry, data_begin=data_begin, data_end=data_end, end=end, descriptor=form, signed=signed)


def _descriptor(
    data: bytes, at: int, told: tuple[int, int, int], wide: bool, where: str
) -> tuple[str, bool, int]:
    """The form of a descriptor, whether it has its signature, and where it ends.

    Raises
    ------
    InputError : it does not say what the directory says.
    """
    for form in ("<IQQ", "<III") if wide else ("<III", "<IQQ"):
        for magic in (_DESCRIPTOR_MAGIC, b""):
            with_magic = at + len(magic)
            end = with_magic + struct.calcsize(form)
            if (
                data.startswith(magic, at)
                and end <= len(data)
                and struct.unpack_from(form, data, with_magic) == told
            ):
                return form, bool(magic), end
    raise InputError(
        f"{where}: found another descriptor at offset {at}, expected CRC and sizes as in the directory",
        _TRICK,
    )


def _require_apart(entries: list[Entry], directory: int, name: str) -> int:
    """How many bytes before the directory no entry holds.

    Raises
    ------
    InputError : entries overlap.
    """
    at = gaps = 0
    for entry in sorted(entries, key=lambda one: (one.offset, one.end)):
        if entry.offset < at:
            raise damaged(
                name,
                entry.name,
                f"bytes from offset {entry.offset}",
                f"none before {at}: it overlaps",
                _TRICK,
            )
        gaps += entry.offset - at
        at = entry.end
    if at > directory:
        raise damaged(
            name, "last entry", f"bytes up to offset {at}", f"an end by the directory at {directory}", _TRICK
        )
    return gaps + directory - at
