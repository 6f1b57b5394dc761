"""Containers made by hand from the format's description, for what no sample shows."""

from __future__ import annotations

import hashlib
import io
import struct
import zipfile
import zlib
from collections.abc import Iterable

import heatshrink2
from slow_forms import slow_pack

PLATE = "Metadata/plate_1.gcode"
RELS = "Metadata/_rels/model_settings.config.rels"
LIST = "Metadata/model_settings.config"
SLICED = "Metadata/slice_info.config"
SETTINGS = "Metadata/project_settings.config"


def block(
    kind: int, content: bytes, compression: int = 0, parameters: bytes = b"\0\0", summed: bool = True
) -> bytes:
    if compression == 1:
        packed = zlib.compress(content)
    elif compression:
        packed = heatshrink2.compress(content, window_sz2=9 + compression, lookahead_sz2=4)
    else:
        packed = content
    head = struct.pack("<HHI", kind, compression, len(content))
    if compression:
        head += struct.pack("<I", len(packed))
    body = head + parameters + packed
    return body + (struct.pack("<I", zlib.crc32(body)) if summed else b"")


PRINTER = (
    b"printer_model=Maker\nnozzle_diameter=0.4\n"
    b"filament used [mm]=10.5\nestimated printing time (normal mode)=1m 0s\n"
)
PRINT = (
    b"filament used [mm]=10.5\nfilament cost=0.1\nestimated printing time (normal mode)=1m 0s\n"
    b"estimated first layer printing time (normal mode)=9s\n"
)
CONFIG = (
    b"before_layer_gcode=;a\\nG92 E0 ; x=1\nlayer_height=0.2\n"
    b"print_host=10.0.0.7\nprinthost_apikey=SESAME\nempty=\n"
)


def binary(
    texts: Iterable[bytes],
    compression: int = 0,
    encoding: int = 0,
    summed: bool = True,
    picture: bytes = b"PNG",
) -> bytes:
    """A binary container with one G-code block for each text."""

    def made(kind: int, content: bytes, compression: int = 0, parameters: bytes = b"\0\0") -> bytes:
        return block(kind, content, compression, parameters, summed)

    parts = [
        b"GCDE" + struct.pack("<IH", 1, int(summed)),
        made(0, b"Producer=maker 1\n"),
        made(3, PRINTER),
        made(5, picture, 0, struct.pack("<HHH", 1, 16, 16)),
        made(4, PRINT),
        made(2, CONFIG, 1),
    ]
    for text in texts:
        content = text if encoding == 0 else slow_pack(text, comments=encoding == 2)
        parts.append(made(1, content, compression, struct.pack("<H", encoding)))
    return b"".join(parts)


def rels(*targets: str) -> bytes:
    rows = "".join(
        f'<Relationship Target="{t}" Id="r{k}" Type="http://maker.invalid/gcode"/>'
        for k, t in enumerate(targets)
    )
    return f'<?xml version="1.0" encoding="UTF-8"?>\n<Relationships>{rows}</Relationships>'.encode()


def plate_list(*plates: tuple[int, str, str]) -> bytes:
    rows = "".join(
        f'<plate><metadata key="plater_id" value="{n}"/><metadata key="plater_name" value="{name}"/>'
        f'<metadata key="gcode_file" value="{target}"/></plate>'
        for n, name, target in plates
    )
    return f'<?xml version="1.0" encoding="UTF-8"?>\n<config>{rows}</config>'.encode()


def sliced(*plates: tuple[int, int, str]) -> bytes:
    """(number, seconds, metres) each."""
    rows = "".join(
        f'  <plate>\n    <metadata key="index" value="{n}"/>\n    <metadata key="prediction" value="{s}"/>\n'
        f'    <metadata key="weight" value="0.55"/>\n    <filament id="1" used_m="{m}" used_g = \'0.55\' />\n'
        '    <note text="a > b"/>\n  </plate>\n'
        for n, s, m in plates
    )
    return f'<?xml version="1.0" encoding="UTF-8"?>\n<config>\n{rows}</config>\n'.encode()


def digest(text: bytes) -> bytes:
    return hashlib.md5(text).hexdigest().upper().encode()


def entries(text: bytes = b"G1 X1\n") -> dict[str, bytes]:
    """Entries of a small package with one plate."""
    return {
        PLATE: text,
        f"{PLATE}.md5": digest(text),
        RELS: rels("/" + PLATE),
        LIST: plate_list((1, "", PLATE)),
        SLICED: sliced((1, 721, "0.18")),
        SETTINGS: b'{"layer_height": "0.2", "nozzle_temperature": ["230", "240"], "print_host": "10.0.0.7"}',
    }


class Unseekable(io.RawIOBase):
    """A stream that can only be written to: zipfile then puts sums behind the data."""

    def __init__(self) -> None:
        self.kept = bytearray()

    def writable(self) -> bool:
        return True

    def write(self, data: object) -> int:
        self.kept += data  # type: ignore[arg-type]
        return len(bytes(data))  # type: ignore[call-overload]


def package(
    contents: dict[str, bytes],
    *,
    streamed: bool = False,
    zip64: bool = False,
    method: int = zipfile.ZIP_DEFLATED,
) -> bytes:
    out = Unseekable() if streamed else io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as made:
        for name, content in contents.items():
            info = zipfile.ZipInfo(name)
            info.compress_type = method
            with made.open(info, "w", force_zip64=zip64) as entry:
                entry.write(content)
    return bytes(out.kept) if isinstance(out, Unseekable) else out.getvalue()
