"""The same print written in other ways, and prints with something in them that is met seldom: bytes in, bytes out.

Each works on G-code of the demo's maker: a command a line, words parted by one blank, `;` before comments.
"""

from __future__ import annotations

import re
from collections.abc import Callable

Way = Callable[[bytes], bytes]

_COMMAND = re.compile(rb"[GMT]\d")
_TEXT = re.compile(rb"M(?:117|486)\b")  # what stands behind these is no word
_E = re.compile(rb"E(-?\d*\.?\d+)")
_PLACE = re.compile(rb"([XYZ])(-?\d*\.?\d+)")


def commands(rewrite: Way) -> Way:
    """Rewrites the command of each line, and leaves comments and line ends as they are."""

    def line(text: bytes) -> bytes:
        body = text.rstrip(b"\r")
        end = text[len(body) :]
        if not _COMMAND.match(body) or _TEXT.match(body):
            return text
        cut = re.split(rb"(?=[ \t]*[;(])", body, maxsplit=1)
        return rewrite(cut[0]) + b"".join(cut[1:]) + end

    return lambda data: b"\n".join(map(line, data.split(b"\n")))


def moves(rewrite: Way) -> Way:
    """As `commands`, of G0 to G3 alone."""
    return commands(lambda text: rewrite(text) if re.match(rb"G[0123] ", text) else text)


def other_newlines(data: bytes) -> bytes:
    return data.replace(b"\r\n", b"\n") if b"\r\n" in data else data.replace(b"\n", b"\r\n")


def mixed_newlines(data: bytes) -> bytes:
    lines = data.replace(b"\r\n", b"\n").split(b"\n")
    return b"".join(line + (b"\n" if k % 7 else b"\r\n") for k, line in enumerate(lines[:-1])) + lines[-1]


def latin_1(data: bytes) -> bytes:
    """Comments in another encoding: a byte that ends UTF-8, one that is a line end to `str.splitlines`."""
    new = re.sub(
        rb"(?m)^G[01] [^;\r\n]*[05](?=\r?$)", lambda found: found[0] + b" ; \xfcber \xe9\xa0\x85", data
    )
    return b"; Gro\xdfe Klammer\n" + new


def numbered(data: bytes) -> bytes:
    """Line numbers and checksums, the exclusive or of the bytes before the asterisk."""
    count = 0

    def rewrite(text: bytes) -> bytes:
        nonlocal count
        count += 1
        line, total = b"N%d %s" % (count, text), 0
        for byte in line:
            total ^= byte
        return line + b"*%d" % total

    return commands(rewrite)(data)


def _number(value: float) -> bytes:
    return f"{value:.6f}".rstrip("0").rstrip(".").encode() or b"0"


def other_e(data: bytes) -> bytes:
    """Filament in relative steps where it was absolute, and the other way round."""
    relative, place, out = False, 0.0, []
    for line in data.split(b"\n"):
        code, end = line.split(b" ")[0].strip(), line[len(line.rstrip(b"\r")) :]
        if code in (b"M82", b"M83"):
            relative, place = code == b"M83", 0.0
            out += [(b"M82" if relative else b"M83") + end, *([b"G92 E0" + end] if relative else [])]
            continue
        found = _E.search(line.split(b";")[0])
        if found and code == b"G92":
            place = float(found[1])
        elif found and code in (b"G0", b"G1", b"G2", b"G3"):
            value = float(found[1])
            new = place + value if relative else value - place
            place = new if relative else value
            line = line[: found.start(1)] + _number(new) + line[found.end(1) :]
        out.append(line)
    return b"\n".join(out)


def absolute_e_halfway(data: bytes) -> bytes:
    """Relative steps up to the middle, absolute filament behind it."""
    lines = data.split(b"\n")
    middle = middle_of(lines)
    return b"\n".join(lines[:middle]) + b"\n" + other_e(b"M83\n" + b"\n".join(lines[middle:]))


def middle_of(lines: list[bytes]) -> int:
    """The first travel in the second half."""
    return next(k for k in range(len(lines) // 2, len(lines)) if re.match(rb"G[01] X[^E;]*\r?$", lines[k]))


def put(*what: bytes) -> Way:
    """Lines put before a travel in the middle."""

    def rewrite(data: bytes) -> bytes:
        lines = data.split(b"\n")
        end = b"\r" if lines[0].endswith(b"\r") else b""
        middle = middle_of(lines)
        return b"\n".join([*lines[:middle], *(one + end for one in what), *lines[middle:]])

    return rewrite


def at_layers(*what: bytes, tools: int = 1000) -> Way:
    """Lines put before each climb to a new height but the first three; `%d` counts, up to `tools`."""

    def rewrite(data: bytes) -> bytes:
        end = b"\r\n" if b"\r\n" in data else b"\n"
        places = [found.start() for found in re.finditer(rb"(?m)^G[01] Z[^\n]*\n", data)][3:]
        for number, at in reversed(list(enumerate(places))):
            text = b"".join((one % (number % tools) if b"%d" in one else one) + end for one in what)
            data = data[:at] + text + data[at:]
        return data

    return rewrite


def relative_places(data: bytes) -> bytes:
    """Steps from place to place (G91) from the first move that names X and Y on; filament as it was."""
    place, on, out = dict.fromkeys((b"X", b"Y", b"Z"), 0.0), False, []
    for line in data.split(b"\n"):
        found = _PLACE.findall(line.split(b";")[0]) if re.match(rb"G[0123] ", line) else []
        if on and found:
            code, _, comment = line.partition(b";")
            for axis, text in found:
                value = float(text)
                code = code.replace(axis + text, axis + _number(value - place[axis]))
                place[axis] = value
            line = code + (b";" + comment if comment else b"")
        else:
            place |= {axis: float(value) for axis, value in found}
        out.append(line)
        if not on and {axis for axis, _ in found} >= {b"X", b"Y"}:
            on = True
            # G91 makes E relative too on some firmwares, so what it is is said again.
            end = b"\r" if line.endswith(b"\r") else b""
            out += [b"G91" + end, (b"M83" if re.search(rb"(?m)^M83", data) else b"M82") + end]
    return b"\n".join(out)


def inches(data: bytes) -> bytes:
    def rewrite(text: bytes) -> bytes:
        new = re.sub(rb"([XYZEFIJ])(-?\d*\.?\d+)", lambda m: m[1] + _number(float(m[2]) / 25.4), text)
        return new if re.match(rb"G(?:[0123]|92) ", text) else text

    new = commands(rewrite)(data)
    return re.sub(rb"(?m)^G21(?=\D)", b"G20", new) if re.search(rb"(?m)^G21\D", new) else b"G20\n" + new


SAME: dict[str, Way] = {
    "other line ends": other_newlines,
    "mixed line ends": mixed_newlines,
    "no last line end": lambda data: data.rstrip(b"\r\n"),
    "blank lines at the end": lambda data: data + b"\n\n  \t\n",
    "a byte-order mark": lambda data: b"\xef\xbb\xbf" + data,
    "latin-1": latin_1,
    "tabs and blanks": commands(lambda text: b"\t " + text.replace(b" ", b"\t  \t")),
    "lower case": commands(bytes.lower),
    "no blanks": commands(lambda text: text.replace(b" ", b"")),
    "leading zeros": commands(lambda text: re.sub(rb"^([GMT])(\d)\b", rb"\g<1>0\2", text)),
    "leading zeros of all codes": commands(lambda text: re.sub(rb"^([GMT])(?=\d)", rb"\g<1>00", text)),
    "codes with a fraction": commands(lambda text: re.sub(rb"^([GM]\d+)(?= |$)", rb"\1.0", text)),
    "notes before moves": moves(lambda text: b"(note) " + text),
    "signs": moves(lambda text: re.sub(rb"([XYE])(\d)", rb"\1+\2", text)),
    "words in another order": moves(lambda text: b" ".join([*text.split()[:1], *text.split()[:0:-1]])),
    "pictures and long comments": lambda data: (
        b"; thumbnail begin 220x124 20000\n" + b"; iVBORw0KGgoAAAANSUhEUgAA\n" * 300 + b"; thumbnail end\n"
        b"; " + b"x" * 300_000 + b"\n" + data
    ),
    "blank lines": lambda data: data.replace(b"\n", b"\n\n").replace(b"\r\n\n", b"\r\n\r\n"),
    "frames": lambda data: b"%\n" + data + b"%\n",
    "what hosts and firmwares take": put(
        b"M117 Layer 5; of 10", b"M118 E1 text (with a paren", b'M862.3 P "X"', b'RESPOND MSG="a;b"', b"{if z > 1}",
        b"[layer_num]", b"G1", b"M", b"@pause", b"M106 P2 S100", b"SET_PRESSURE_ADVANCE ADVANCE=0.03",
    ),
    "a change of filament": put(b"M117 Change filament", b"; pause", b"M600 X0 Y0 Z5"),
}  # fmt: skip

# What is met seldom, and changes moves or what may be done.
ODD: dict[str, Way] = {
    "other filament mode": other_e,
    "filament mode changes halfway": absolute_e_halfway,
    "line numbers": numbered,
    "inches": inches,
    "relative places": relative_places,
    "relative hops": at_layers(b"G91", b"G1 Z1 F600", b"G1 Z-1", b"G90"),
    "two tools": at_layers(b"T%d", tools=2),
    "as many tools as layers": at_layers(b"T%d"),
    "a pause": put(b"; PAUSE_PRINT", b"M601 ; pause print", b"M0", b"PAUSE", b"M400", b"M25"),
    "marks by number": at_layers(b"M486 S-1", b"M486 S0"),
    "marks by name": lambda data: (
        b"EXCLUDE_OBJECT_DEFINE NAME=a_part POLYGON=[[0,0],[9,0],[9,9]]\n"
        + at_layers(b"EXCLUDE_OBJECT_END NAME=a_part", b"EXCLUDE_OBJECT_START NAME=a_part")(data)
    ),
    "twice": lambda data: data.rstrip(b"\r\n") + b"\r\n\r\n" + data,
    "speed and flow by hand": put(b"M220 S80", b"M221 S95"),
}
