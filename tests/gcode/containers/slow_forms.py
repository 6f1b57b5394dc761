"""Slow references, byte by byte from the format's description: packed text, and unpacking of heatshrink."""

from __future__ import annotations

_CHARACTERS = "0123456789. \nGX"
_FULL = 15


class BreaksOff(Exception):
    """A character is missing."""


def slow_unpack_raw(packed: bytes) -> bytes:
    """Characters of packed text, before line feeds and blanks are set right."""
    out = bytearray()
    on = no_spaces = False
    waiting: list[int] = []  # what still comes of the last packed byte: -1 a character of its own
    at = 0
    while at < len(packed):
        if packed[at : at + 2] == b"\xff\xff" and at + 2 < len(packed):
            if waiting:
                raise BreaksOff
            command = packed[at + 2]
            on = {0xFB: True, 0xFA: False, 0xF9: False}.get(command, on)
            no_spaces = {0xF7: True, 0xF6: False, 0xF9: False}.get(command, no_spaces)
            at += 3
            continue
        byte = packed[at]
        at += 1
        if waiting:
            waiting[waiting.index(-1)] = byte
        elif not on:
            out.append(byte)
        else:
            for nibble in (byte & 15, byte >> 4):
                if nibble == _FULL:
                    waiting.append(-1)
                    continue
                character = "E" if nibble == 11 and no_spaces else _CHARACTERS[nibble]
                waiting.append(ord(character))
                if nibble == 12 and len(waiting) == 1:
                    break
        if waiting and -1 not in waiting:
            out += bytes(waiting)
            waiting = []
    if waiting:
        raise BreaksOff
    return bytes(out)


def slow_unpack(packed: bytes) -> bytes:
    """Plain text: runs of line feeds as one, a blank before each word of a line that begins with G."""
    out = bytearray()
    on_g, previous = False, -1
    for byte in slow_unpack_raw(packed):
        if byte == 10 and previous == 10:
            continue
        if previous in (-1, 10):
            on_g = byte == ord("G")
        elif on_g and byte in b"XYZEFIJRPWHCA" and previous != 32:
            out.append(32)
        out.append(byte)
        previous = byte
    return bytes(out)


def _pairs(characters: bytes) -> bytes:
    out = bytearray()
    for k in range(0, len(characters), 2):
        codes, full = [], bytearray()
        for character in (characters[k : k + 2] + b"\n")[:2]:
            code = 11 if character == ord("E") else _CHARACTERS.find(chr(character))
            if character == 32 or code < 0:
                code = _FULL
                full.append(character)
            codes.append(code)
        out.append(codes[0] | codes[1] << 4)
        out += full
    return bytes(out)


def slow_pack(text: bytes, *, comments: bool) -> bytes:
    """Packed text, line by line."""
    out = bytearray(b"\xff\xff\xfb\xff\xff\xf7")
    framed = False
    for line in text.removesuffix(b"\n").split(b"\n"):
        if line.startswith(b";") and comments:
            if not framed:
                out += b"\xff\xff\xfa"
                framed = True
            out += line + b"\n"
            continue
        kept, semicolon, _ = line.partition(b";")
        if semicolon:
            kept = kept.rstrip(b" ")
        if not kept:
            continue
        if framed:
            out += b"\xff\xff\xfb"
            framed = False
        at = kept.find(b"G")
        if at >= 0 and kept[at + 1 : at + 2].isdigit():
            kept = kept.replace(b"e", b"E").replace(b"x", b"X").replace(b"g", b"G").replace(b" ", b"")
            kept += b"" if semicolon else b"\n"
        out += _pairs(kept + b"\n")
    return bytes(out) + (b"" if comments else b"\xff\xff\xf9")


def slow_expand(packed: bytes, window: int, size: int) -> bytes:
    """Heatshrink, most significant bit first: 1 and a byte, or 0, distance - 1 and length - 1 (4 bits)."""
    bits = "".join(f"{byte:08b}" for byte in packed)
    out, at = bytearray(), 0

    def number(count: int) -> int:
        nonlocal at
        at += count
        return int(bits[at - count : at], 2)

    while len(out) < size:
        if number(1):
            out.append(number(8))
            continue
        distance, length = number(window) + 1, number(4) + 1
        for _ in range(length):
            out.append(out[-distance])
    return bytes(out)
