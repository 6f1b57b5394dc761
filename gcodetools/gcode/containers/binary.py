"""The binary container: text and metadata out of its blocks, and a new text back into them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import field

from gcodetools.errors import Fault, Refused, UsageError
from gcodetools.gcode.containers.base import (
    Container,
    Limits,
    Written,
    check_restated,
    damaged,
    on_one_line,
    open_pairs,
)
from gcodetools.gcode.containers.blocks import (
    FILE,
    GCODE,
    PRINT,
    PRINTER,
    SETTINGS,
    TEXT_BYTES,
    THUMBNAIL,
    Block,
    block_bytes,
    payload,
    read_blocks,
)
from gcodetools.gcode.containers.packing import Packed, Unpackable, pack_lines, unpack
from gcodetools.gcode.containers.pairs import is_total, numbered, read_pairs, with_numbered, with_values
from gcodetools.gcode.containers.spans import Span, spans
from gcodetools.records import dataclass

__all__ = ["Binary", "open_binary"]

_PLAIN, _WITHOUT_COMMENTS, _WITH_COMMENTS = range(3)
_REMARK = "beadwright "  # keys of print metadata that hold our comment lines, by their numbers
_PACKINGS = ("", "deflate", "heatshrink", "heatshrink")
_ENCODINGS = ("", "packed text without comments", "packed text")
_ORDER = (FILE, PRINTER, THUMBNAIL, PRINT, SETTINGS, GCODE)
_SOUND = "Export the file again; what is damaged is not given a good checksum here."
_SHOWN = 40  # bytes of a line in a message


@dataclass(frozen=True, slots=True, kw_only=True)
class Binary(Container):
    """A binary container; blocks : all of them. bounds : of the G-code blocks' texts in `text`.

    Where packed text holds no comments (encoding 1), `remarks` stand as pairs in the print metadata, else in the
    printer's.
    """

    blocks: tuple[Block, ...] = field(default=(), repr=False)
    bounds: tuple[int, ...] = field(default=(), repr=False)
    limits: Limits = field(default_factory=Limits, repr=False)

    @property
    def inside(self) -> str:
        """Blocks of G-code, and how the first is packed."""
        gcode = [block for block in self.blocks if block.kind == GCODE]
        counted = f"{len(gcode)} G-code block{'s' if len(gcode) > 1 else ''}"
        forms = (_PACKINGS[gcode[0].compression], _ENCODINGS[gcode[0].encoding])
        return ", ".join(filter(None, (counted, *forms)))

    @property
    def keeps_comments(self) -> bool:
        """Not in packed text without comments (encoding 1)."""
        return all(block.kind != GCODE or block.encoding != _WITHOUT_COMMENTS for block in self.blocks)

    def written(self, new_text: bytes, restated: Mapping[str, str] | None = None) -> Written:
        """See `Container.written`; blocks whose text is unchanged are copied, new ones hold up to 65536 bytes.

        Raises
        ------
        Refused : a line that the encoding can't hold, a damaged block that would have to be written anew, or no
        text at all.
        """
        values = check_restated(self.totals, restated)
        if not new_text.strip():
            raise Refused(f"{self.name}: no G-code left to write", "Check what was asked for.")
        gcode = [block for block in self.blocks if block.kind == GCODE]
        anew = _Anew(self, gcode, new_text)
        texts = iter(anew.parts(spans(self.text, self.bounds, new_text)))
        holder = None if self.keeps_comments or new_text == self.text else self._remarked
        parts = [self.data[: self.blocks[0].begin]]
        for block in self.blocks:
            parts += next(texts) if block.kind == GCODE else [self._metadata(block, values, block is holder)]
        notes = list(anew.notes(self.remarks if holder is not None else b""))
        if holder is None and self.remarks and new_text != self.text:
            notes.append(
                "no metadata block that could hold our record: that it is treated can't be told later"
            )
        return Written(b"".join(parts), b"".join(anew.texts), tuple(notes), tuple(anew.asides()))

    @property
    def _remarked(self) -> Block | None:
        """The block that holds remarks, None where there is none that could."""
        held = (block for kind in (PRINT, PRINTER) for block in self.blocks if block.kind == kind)
        return next(held, None)

    def _metadata(self, block: Block, values: Mapping[str, str], remarked: bool) -> bytes:
        """A block with restated values and, where it is to hold them, our remarks; or its very bytes."""
        old = self.data[block.begin : block.end]
        if not (values or remarked) or block.kind not in (FILE, PRINTER, PRINT, SETTINGS):
            return old
        content = payload(self.data, block, self.name, self.limits.part_bytes)
        new = with_values(content, values)
        if remarked:
            lines = self.remarks.decode("utf-8", "surrogateescape").splitlines()
            new = with_numbered(new, _REMARK, [line.removeprefix("; ") for line in lines])
        if new == content:
            return old
        _require_sound(self.name, block)
        return block_bytes(block, new)


def _require_sound(name: str, block: Block) -> None:
    if not block.sound:
        raise Refused(
            f"{name}: the checksum of the {block.told} is broken, and it would have to be written anew",
            _SOUND,
        )


class _Anew:
    """Writes changed blocks and keeps account of what they can't hold.

    texts : what a reader gets, in order.
    """

    def __init__(self, old: Binary, gcode: list[Block], new_text: bytes) -> None:
        self.old, self.gcode, self.new_text = old, gcode, new_text
        self.texts: list[bytes] = []
        self.packed: list[Packed] = []

    def parts(self, found: list[Span]) -> list[list[bytes]]:
        """For each old G-code block what takes its place."""
        result: list[list[bytes]] = [[] for _ in self.gcode]
        for span in found:
            mine = result[min(span.first, len(result) - 1)]
            if span.same:
                block = self.gcode[span.first]
                mine.append(self.old.data[block.begin : block.end])
                self.texts.append(self.new_text[span.begin : span.end])
            else:
                mine += self._changed(span)
        return result

    def _changed(self, span: Span) -> Iterator[bytes]:
        for block in self.gcode[span.first : span.last]:
            _require_sound(self.old.name, block)
        like = self.gcode[min(span.first, len(self.gcode) - 1)]
        for begin, end in self._cut(span.begin, span.end):
            text = self.new_text[begin:end]
            content = text if like.encoding == _PLAIN else self._pack(text, begin, like)
            kept = text if like.encoding == _PLAIN else self.packed[-1].text
            if not kept:
                continue
            new = block_bytes(like, content)
            self._read_back(new, content)
            self.texts.append(kept)
            yield new

    def _pack(self, text: bytes, begin: int, like: Block) -> bytes:
        try:
            self.packed.append(pack_lines(text, comments=like.encoding == _WITH_COMMENTS))
        except Unpackable as error:
            line = self.new_text.count(b"\n", 0, begin) + error.line + 1
            shown = error.text[:_SHOWN].decode("utf-8", "backslashreplace")
            raise Refused(
                f"{self.old.name}: line {line} of the new text: `{shown}` can't be held by packed text "
                f"(encoding {like.encoding})",
                "Export plain G-code (binary G-code switched off), and treat that.",
            ) from None
        return self.packed[-1].data

    def _read_back(self, block: bytes, content: bytes) -> None:
        """Unpack what was packed.

        Raises
        ------
        Fault : it is not the same.
        """
        summed = self.gcode[0].summed
        whole = self.old.data[:8] + (b"\1\0" if summed else b"\0\0") + block
        again = read_blocks(whole, self.old.name, self.old.limits)
        if len(again) != 1 or payload(whole, again[0], self.old.name, len(content)) != content:
            raise Fault(f"{self.old.name}: a new block does not unpack to what was packed")

    def _cut(self, at: int, end: int) -> Iterator[tuple[int, int]]:
        """Pieces of about one size that end at line ends.

        Raises
        ------
        Refused : a line longer than a block.
        """
        text = self.new_text
        while at < end:
            left = end - at
            if left <= TEXT_BYTES:
                yield at, end
                return
            likely = left // -(-left // TEXT_BYTES)
            cut = text.find(b"\n", at + likely - 1, at + TEXT_BYTES) + 1
            cut = cut or text.rfind(b"\n", at, at + TEXT_BYTES) + 1
            if not cut:
                line = text.count(b"\n", 0, at) + 1
                raise Refused(
                    f"{self.old.name}: line {line} of the new text has more than {TEXT_BYTES} bytes, "
                    "which no block can hold",
                    "Export plain G-code (binary G-code switched off), and treat that.",
                )
            yield at, cut
            at = cut

    def notes(self, remarks: bytes) -> Iterator[str]:
        """Sentences on what the new blocks don't hold; remarks : comment lines that are held elsewhere."""
        behind = sum(one.comments for one in self.packed)
        lines = sum(one.comment_lines for one in self.packed)
        kept = remarks.splitlines() if lines else ()
        lines -= sum(line + b"\n" in self.new_text or line + b"\r\n" in self.new_text for line in kept)
        if behind:
            yield f"packed text holds no comments behind commands: {behind} left out"
        if lines:
            yield f"this packed text holds no comments at all (encoding 1): {lines} comment lines left out"

    def asides(self) -> Iterator[str]:
        """Sentences on how the new blocks hold the rest."""
        plain = sum(one.plain_lines for one in self.packed)
        if plain:
            lines = "1 line" if plain == 1 else f"{plain} lines"
            yield f"{lines} that packing would damage kept unpacked"


def open_binary(data: bytes, name: str, plate: int | None, limits: Limits) -> Binary:
    """Read a binary container.

    Raises
    ------
    InputError : damaged, or more than the limits. UsageError : there is one plate only, or heatshrink2 is missing.
    """
    if plate not in (None, 1):
        raise UsageError(
            f"{name}: found one plate, asked for plate {plate}", "Leave the number (--plate) out."
        )
    blocks = read_blocks(data, name, limits)
    if not any(block.kind == GCODE for block in blocks):
        raise damaged(name, "binary container", "no G-code block", "at least one")
    notes = [*_broken(blocks), *_odd(blocks)]
    pairs: dict[int, list[tuple[str, str]]] = {PRINTER: [], PRINT: [], SETTINGS: []}
    for block in blocks:
        if block.kind not in (GCODE, THUMBNAIL):
            mine, lost = _pairs(data, block, name, limits)
            pairs.setdefault(block.kind, []).extend(mine)
            if lost:
                notes.append(f"{block.told}: {lost} lines without `=`: passed over")
    remarks = "".join(f"; {line}\n" for line in numbered([*pairs[PRINT], *pairs[PRINTER]], _REMARK))
    for kind in (PRINT, PRINTER):
        pairs[kind] = [(key, value) for key, value in pairs[kind] if not key.startswith(_REMARK)]
    stated = [*pairs[PRINT], *((key, value) for key, value in pairs[PRINTER] if is_total(key))]
    totals, broken = on_one_line(open_pairs(stated).items())
    # A total that stands among the settings too changes there as well, and is none.
    settings = [pair for pair in (*pairs[SETTINGS], *pairs[PRINTER]) if pair[0] not in totals]
    texts = list(_texts(data, blocks, name, limits))
    if any(not text.endswith(b"\n") for text in texts):
        notes.append("a G-code block that does not end with a line end")
    bounds = [0]
    for text in texts:
        bounds.append(bounds[-1] + len(text))
    return Binary(
        kind="binary", name=name, data=data, text=b"".join(texts), settings=open_pairs(settings),
        totals=totals, thumbnails=sum(1 for block in blocks if block.kind == THUMBNAIL),
        notes=(*notes, *broken), remarks=remarks.encode("utf-8", "surrogateescape"), blocks=tuple(blocks),
        bounds=tuple(bounds), limits=limits,
    )  # fmt: skip


def _broken(blocks: list[Block]) -> Iterator[str]:
    number = 0
    for block in blocks:
        number += block.kind == GCODE
        if not block.sound:
            which = f" (G-code block {number})" if block.kind == GCODE else ""
            yield f"{block.told}{which}: its checksum is broken; what it holds may be damaged"


def _odd(blocks: list[Block]) -> Iterator[str]:
    places = [_ORDER.index(block.kind) for block in blocks]
    if places != sorted(places):
        yield "blocks in another order than the format wants; they keep it"
    forms = {(block.compression, block.encoding) for block in blocks if block.kind == GCODE}
    if len(forms) > 1:
        yield "G-code blocks of several compressions or encodings; some printers don't take that"
    if any(encoding == _WITHOUT_COMMENTS for _, encoding in forms):
        yield (
            "packed text without comments (encoding 1): the file has no marks for layers and features, and a new "
            "text's comments can't be kept in it; our record goes to the print metadata"
        )


def _pairs(data: bytes, block: Block, name: str, limits: Limits) -> tuple[list[tuple[str, str]], int]:
    if block.encoding != 0:
        raise damaged(name, block.told, f"encoding {block.encoding}", "encoding 0")
    return read_pairs(payload(data, block, name, limits.part_bytes))


def _texts(data: bytes, blocks: list[Block], name: str, limits: Limits) -> Iterator[bytes]:
    """Plain text of each G-code block.

    Raises
    ------
    InputError : damaged, or more than the limits.
    """
    room = limits.most(len(data), limits.text_bytes)
    for block in blocks:
        if block.kind != GCODE:
            continue
        if block.encoding > _WITH_COMMENTS:
            raise damaged(name, block.told, f"encoding {block.encoding}", "0, 1 or 2")
        text = payload(
            data, block, name, room if block.encoding == _PLAIN else min(room, limits.packed_bytes)
        )
        if block.encoding != _PLAIN:
            text = _unpacked(text, block, name)
        room -= len(text)
        if room < 0:
            raise damaged(name, block.told, "more text than the limit", "a sliced file")
        yield text


def _unpacked(packed: bytes, block: Block, name: str) -> bytes:
    try:
        return unpack(packed)
    except ValueError as error:
        found = str(error) + ("" if block.sound else "; its checksum is broken")
        raise damaged(name, block.told, found, "whole characters") from error
