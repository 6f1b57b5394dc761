"""What a page carries and says, read from outside: layers out of its packed data, readings, places on its canvas."""

from __future__ import annotations

import base64
import re
import zlib
from typing import Any

import numpy as np

from gcodetools.demo.maker import Placement, hoophouse_plate

COLUMNS = (
    "x", "y", "flag", "feature", "region", "instance", "width", "height", "feed", "rate", "nozzle", "age", "bond",
)  # fmt: skip
WIDE = ("x", "y", "feed", "rate", "nozzle", "age")


def few_of_each() -> tuple[Placement, ...]:
    """The demo's plate with two of each part, of which one is turned if any is: the whole one takes half a minute."""
    plate = hoophouse_plate()
    found = []
    for part in dict.fromkeys(one.part for one in plate):
        first, *more = (one for one in plate if one.part == part)
        found += [first, next((one for one in more if one.turn_deg), more[0])]
    return tuple(found)


def unpacked(side: dict[str, Any], wanted: int) -> dict[str, np.ndarray]:
    """Columns of a layer (from 0), read from what the page carries; x and y in mm."""
    for first, count, text in side["chunks"]:
        if not first <= wanted < first + count:
            continue
        data, at = zlib.decompress(base64.b64decode(text), wbits=-15), 0
        for number in range(first, first + count):
            n = int.from_bytes(data[at : at + 4], "little")
            if number < wanted:
                at += 12 + 19 * n
                continue
            start = np.frombuffer(data, "<i4", 2, at + 4)
            at += 12
            one: dict[str, np.ndarray] = {}
            for name in COLUMNS:
                raw = np.frombuffer(data, np.uint8, n, at).astype(np.int64)
                at += n
                if name in WIDE:
                    raw = raw + 256 * np.frombuffer(data, np.uint8, n, at).astype(np.int64)
                    at += n
                one[name] = raw
            for k, name in enumerate(("x", "y")):
                steps = np.where(one[name] > 32767, one[name] - 65536, one[name])
                one[name] = (start[k] + np.cumsum(steps)) * side["unit_mm"]
            return one
    raise AssertionError(wanted)


def beads_of(layer: dict[str, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Numbers of the points that end a bead, and lengths."""
    k = np.flatnonzero((layer["flag"] & 1) == 0)
    return k, np.hypot(layer["x"][k] - layer["x"][k - 1], layer["y"][k] - layer["y"][k - 1])


def side_of(pages: Any, name: str) -> dict[str, Any]:
    return next(side for side in pages.data["sides"] if side["name"] == name)


def numbers(text: str) -> list[float]:
    return [float(word.replace("\u2212", "-")) for word in re.findall(r"[-\u2212]?\d+(?:\.\d+)?", text)]


def readout(tab: Any) -> dict[str, str]:
    return dict(
        tab.run(
            "[...document.querySelectorAll('#readout div')].map((d) => [...d.children].map((c) => c.textContent))"
        )
    )


def mapping(tab: Any) -> tuple[float, float, float, float, float]:
    """Left and top of the canvas and its middle's place, mm, and pixels a mm: by pointing at the middle."""
    left, top, width, height = tab.box("#layer")
    tab.mouse("mouseMoved", left + width / 2, top + height / 2)
    tab.settle()
    x, y, _ = numbers(readout(tab)["plate"])
    return left + width / 2, top + height / 2, x, y, tab.run("beadwright.stats().scale")


def rgb(text: str) -> tuple[int, ...]:
    if text.startswith("#"):
        return tuple(int(text[k : k + 2], 16) for k in (1, 3, 5))
    return tuple(int(float(word)) for word in re.findall(r"[\d.]+", text)[:3])


def colours_named(tab: Any, *names: str) -> list[tuple[int, ...]]:
    """Colours of the style sheet."""
    style = "getComputedStyle(document.documentElement)"
    return [rgb(tab.run(f"{style}.getPropertyValue('--{name}').trim()")) for name in names]


def look_at(tab: Any, pages: Any, key: str, number: int) -> None:
    """An instance as it is fitted, on a layer, from 1."""
    tab.open(pages.demo)
    index = next(k for k, one in enumerate(pages.data["instances"]) if one["key"] == key)
    tab.choose("#instance", str(index))
    tab.show(number)
    tab.key("0")
