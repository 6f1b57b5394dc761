"""Files gone wrong: mutations of text, bytes and trees, each choice asked of one `Choose`.

A `Choose` says a number below n: from a seed (`seeded`), from hypothesis, or from a coverage-guided fuzzer; the
mutations know nothing of where it comes from, so each found by one of them is found again by its choices.
"""

from __future__ import annotations

import copy
import random
import re
from collections.abc import Callable, Sequence
from typing import Any, TypeVar

T = TypeVar("T")
Choose = Callable[[int], int]  # a number from 0 to n - 1

NUMBER = re.compile(rb"[-+]?(?:\d+\.?\d*|\.\d+)")
NUMBERS = (
    b"0", b"-0", b"1", b"-1", b".", b"", b"-", b"+5", b"--5", b"1e5", b"1E999", b"nan", b"inf", b"0x10", b"1,5", b"1_0",
    b"1e-9", b"0.000001", b"99999999999", b"-99999999999", b"1" * 400, b"2147483648", b"9223372036854775808", b"1.2.3",
    b"1000000", b"-273.15", b"300", b"65535", b"%", b"\xd9\xa3",
)  # fmt: skip
LINES = (
    b"G92 E0", b"G92", b"G92 X0 Y0 Z0", b"G92 E1e9", b"G92.1", b"G20", b"G21", b"G90", b"G91", b"M82", b"M83", b"G28",
    b"T1", b"T0", b"T-1", b"T99999", b"T", b"M104 S0", b"M109 S999", b"M106 S255", b"M106 P1 S1000", b"M107", b"G10",
    b"G11", b"G2 X10 Y10", b"G2 X10 Y10 R0", b"G3 X1 Y1 I0 J0 E1", b"G2 X50 Y50 R1 E1", b"G2 X9 Y9 R-30 E1",
    b"G17", b"G18",
    b"G19", b"G90.1", b"G5 X1 Y1 I1 J1 P1 Q1", b"M220 S0", b"M221 S0", b"M220 S-5", b"M204 S0", b"M204 P0 T0",
    b"M205 X0",
    b"M201 X0", b"M203 X0 Y0", b"M73 P101 R-1", b"M73", b"G4 P-1", b"G4 S1e9", b"M486 S0", b"M486 S-1", b"M486 T99",
    b"EXCLUDE_OBJECT_START NAME=wedge", b"EXCLUDE_OBJECT_END", b"EXCLUDE_OBJECT_DEFINE NAME=a POLYGON=[[0,0],[1",
    b";LAYER:0", b";LAYER:-5", b";LAYER_CHANGE", b";Z:nan", b";Z:1e999", b";HEIGHT:0", b";WIDTH:0", b";TYPE:",
    b";TYPE:Custom",
    b";TYPE:External perimeter", b"; thumbnail begin 16x16 99", b"; thumbnail end", b"; printing object a id:0 copy 0",
    b"; stop printing object a id:0 copy 0", b";MESH:NONMESH", b";MESH:a", b"; beadwright 1", b"; CONFIG_BLOCK_START",
    b"; HEADER_BLOCK_END", b";TIME:nan", b";TIME_ELAPSED:-1", b"; estimated printing time (normal mode) = 1d 99h",
    b"; filament used [mm] = nan, -1", b"N5 G1 X1*99", b"N-1", b"(a (b) c", b"(", b"G1", b"G1 X", b"G1 F0", b"G1 F-5",
    b"G1 X10 Y10 E-500", b"G1 E500 F1", b"G1 X1e7 Y1e7 E5", b"G1 Z-5", b"G1 Z500", b"G0 X5Y5E5F9",
    b"g1 x5 y5 e.1", b"%",
    b"M117 \xff\xfe text", b'M117 "', b"\xef\xbb\xbf", b"\t", b"\x0b\x0c\x1c\x85", b"; \xe2\x80\xa8",
    b"/G1 X1", b"@pause",
    b"SET_VELOCITY_LIMIT ACCEL=0", b"START_PRINT EXTRUDER=nan BED=", b"M600", b"M0", b"M2", b"M30", b"M112",
)  # fmt: skip
SCALARS: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 1e-9, -1e9, 1e300, float("inf"), float("nan"), 10**30, "", " ", "x", "all",
    "*", "40%", "-40%",
    "1e999%", "10 min", "07:00-07:00", "25:00", "..", "/", "a/b", "a\nG1 X0", "\x07", "e\u0301", "\u2028",
    "a" * 3000, "petg", "?",
    "[", "**[", "2026-02-30T00:00", "0001-01-01T00:00", "9999-12-31T23:59", "Europe/Nowhere", [], {}, [[]], [0], [0, 0],
    [5, 2], ["a"], [1, 2, 3], {"x": 1}, {"set": 230}, {"all": 1}, [[0, 0], [1, 0], [1, 1]], [[0, 0]] * 9,
)  # fmt: skip


def seeded(seed: int) -> Choose:
    """Choices from a seed."""
    return random.Random(seed).randrange


def one_of(choose: Choose, items: Sequence[T]) -> T:
    return items[choose(len(items))]


# --- text


def mutated_lines(data: bytes, choose: Choose) -> bytes:
    """G-code (or any text of lines) with one to five things wrong; one of its ways each."""
    for _ in range(1 + choose(5)):
        data = one_of(choose, TEXT_WAYS)(data, choose)
    return data


def _line(lines: list[bytes], choose: Choose) -> int:
    return choose(len(lines)) if lines else 0


def _foreign(data: bytes, choose: Choose) -> bytes:
    lines = data.split(b"\n")
    at = _line(lines, choose)
    lines[at:at] = [one_of(choose, LINES)] * one_of(choose, (1, 1, 1, 2, 40))
    return b"\n".join(lines)


def _delete(data: bytes, choose: Choose) -> bytes:
    lines = data.split(b"\n")
    at = _line(lines, choose)
    del lines[at : at + one_of(choose, (1, 1, 2, 5, 50, 500))]
    return b"\n".join(lines)


def _double(data: bytes, choose: Choose) -> bytes:
    lines = data.split(b"\n")
    at = _line(lines, choose)
    block = lines[at : at + one_of(choose, (1, 2, 10, 100))]
    to = _line(lines, choose)
    lines[to:to] = block
    return b"\n".join(lines)


def _shuffle(data: bytes, choose: Choose) -> bytes:
    lines = data.split(b"\n")
    at, size = _line(lines, choose), one_of(choose, (2, 5, 30))
    block = lines[at : at + size]
    for k in range(len(block) - 1, 0, -1):
        j = choose(k + 1)
        block[k], block[j] = block[j], block[k]
    lines[at : at + size] = block
    return b"\n".join(lines)


def _number(data: bytes, choose: Choose) -> bytes:
    lines = data.split(b"\n")
    at = _line(lines, choose)
    found = list(NUMBER.finditer(lines[at]))
    if found:
        one = one_of(choose, found)
        lines[at] = lines[at][: one.start()] + one_of(choose, NUMBERS) + lines[at][one.end() :]
    return b"\n".join(lines)


def _numbers_of_a_letter(data: bytes, choose: Choose) -> bytes:
    """One letter's values in a stretch of the file, all the same."""
    letter, value = one_of(choose, (b"X", b"Y", b"Z", b"E", b"F", b"S")), one_of(choose, NUMBERS)
    lines = data.split(b"\n")
    at = _line(lines, choose)
    size = one_of(choose, (20, 200, 100_000))
    part = b"\n".join(lines[at : at + size])
    part = re.sub(rb"(?m)^(G[01] [^;\n]*?" + letter + rb")[-\d.]+", lambda m: m[1] + value, part)
    return b"\n".join([*lines[:at], part, *lines[at + size :]])


def _word(data: bytes, choose: Choose) -> bytes:
    lines = data.split(b"\n")
    at = _line(lines, choose)
    words = lines[at].split(b" ")
    k = choose(len(words))
    way = choose(4)
    if way == 0:
        del words[k]
    elif way == 1:
        words.insert(k, words[choose(len(words))])
    elif way == 2:
        words[k] = (
            one_of(choose, (b"X", b"Y", b"E", b"G", b"M", b"I", b"Z", b"F", b"T", b";", b"(", b"*"))
            + words[k][1:]
        )
    else:
        words.reverse()
    lines[at] = b" ".join(words)
    return b"\n".join(lines)


def _cut(data: bytes, choose: Choose) -> bytes:
    at = choose(len(data) + 1)
    return data[:at] if choose(2) else data[at:]


def _ends(data: bytes, choose: Choose) -> bytes:
    return data.replace(b"\n", one_of(choose, (b"\r\n", b"\r", b"\n\n", b"\n ", b"\n;\r")))


def mutated_bytes(data: bytes, choose: Choose) -> bytes:
    """A few bytes flipped, put in, taken out or moved."""
    new = bytearray(data)
    for _ in range(1 + choose(4)):
        at = choose(len(new) + 1)
        way = choose(4)
        if way == 0:
            new[at : at + 1] = bytes([choose(256)])
        elif way == 1:
            new[at:at] = bytes([choose(256)]) * one_of(choose, (1, 1, 2, 4, 300))
        elif way == 2:
            del new[at : at + one_of(choose, (1, 1, 2, 4, 300))]
        else:
            to = choose(len(new) + 1)
            new[to:to] = new[at : at + one_of(choose, (1, 4, 64))]
    return bytes(new)


TEXT_WAYS = (
    _foreign, _number, _word, _delete, _double, _shuffle, _numbers_of_a_letter, mutated_bytes, _cut, _ends, _foreign,
)  # fmt: skip


# --- trees


def mutated_tree(tree: Any, choose: Choose) -> Any:
    """A tree of mappings, lists and scalars with one to four things wrong."""
    tree = copy.deepcopy(tree)
    for _ in range(1 + choose(4)):
        places = list(_places(tree))
        if not places:
            return one_of(choose, SCALARS)
        holder, key = one_of(choose, places)
        way = choose(8)
        if way == 0:
            del holder[key]
        elif way == 1:
            holder[key] = copy.deepcopy(one_of(choose, SCALARS))
        elif way == 2:
            other, there = one_of(choose, places)
            holder[key] = copy.deepcopy(other[there])
        elif way == 3:
            holder[key] = [holder[key]] * one_of(choose, (1, 2, 5))
        elif way == 4:
            holder[key] = {one_of(choose, ("x", "any_of", "add", "set", "value")): holder[key]}
        elif way == 5 and isinstance(holder, dict):
            name = one_of(choose, (f"{key}x", "", "set", "scale", "max", "all", "\n", "a#1"))
            holder[name] = holder.pop(key)
        elif isinstance(holder[key], (int, float)) and not isinstance(holder[key], bool):
            holder[key] = one_of(choose, (-1, 0, 10, 0.1, 1e6, -1e-6)) * holder[key]
        else:
            holder[key] = copy.deepcopy(one_of(choose, SCALARS))
    return tree


def _places(node: Any) -> Any:
    pairs = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, value in list(pairs):
        yield node, key
        yield from _places(value)


# --- shapes and profiles


POINTS = (
    "z",
    "polygon",
    "at",
    "size",
    "center",
    "centre",
    "min",
    "max",
    "radius",
    "outline",
    "height",
    "offset",
)
SHIFTS = (1e4, -1e4, 1e-9, 0.0, -1.0, 0.4, 1e9)


def reshaped(tree: Any, choose: Choose) -> Any:
    """A kit whose regions lie far off, have no extent, are upside down, or overlap each other."""
    tree = copy.deepcopy(tree)
    for _ in range(1 + choose(4)):
        holders = [(holder, key) for holder, key in _places(tree) if key in ("regions", "within", *POINTS)]
        if not holders:
            return tree
        holder, key = one_of(choose, holders)
        if key == "regions" and isinstance(holder[key], dict) and holder[key]:
            _doubled(holder[key], choose)
            continue
        numbers = [(list_, k) for list_, k in _places(holder[key]) if isinstance(list_[k], (int, float))]
        way, by = choose(5), one_of(choose, SHIFTS)
        if way == 0 and isinstance(holder[key], list):
            holder[key].reverse()
        elif isinstance(holder[key], (int, float)):
            holder[key] = by if way < 3 else -holder[key]
        else:
            for list_, k in numbers if way < 3 else [one_of(choose, numbers)] * bool(numbers):
                list_[k] = list_[k] + by if way in (1, 3) else list_[k] * by
    return tree


def _doubled(regions: Any, choose: Choose) -> None:
    """A region again by another name, or one with the place of another."""
    names = list(regions)
    name, other = one_of(choose, names), one_of(choose, names)
    if choose(2):
        regions[f"{name}-{len(names)}"] = copy.deepcopy(regions[name])
    elif isinstance(regions[name], dict) and isinstance(regions[other], dict) and "within" in regions[other]:
        within = regions[other]["within"]
        regions[name]["within"] = one_of(
            choose, (within, {"any_of": [within, within]}, {"all_of": [within]}, {"none_of": within})
        )


def swapped(tree: Any, choose: Choose) -> Any:
    """A profile with the ends of a range, or two of its numbers, the other way round."""
    tree = copy.deepcopy(tree)
    for _ in range(1 + choose(3)):
        lists = [(h, k) for h, k in _places(tree) if isinstance(h[k], list) and len(h[k]) > 1]
        numbers = [(h, k) for h, k in _places(tree) if isinstance(h[k], (int, float)) and h[k] is not True]
        if lists and choose(2):
            holder, key = one_of(choose, lists)
            holder[key] = holder[key][::-1]
        elif numbers:
            (a, b), (c, d) = one_of(choose, numbers), one_of(choose, numbers)
            a[b], c[d] = c[d], a[b]
    return tree
