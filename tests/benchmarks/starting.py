"""What commands cost before they do anything, and what `post` costs on a small plate."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from rows import PROJECT, Row

LIBRARIES = "import numpy, click, yaml, shapely, msgspec"
ROUNDS = 15
BEYOND = 2.6  # times the import of the libraries, 0.115 s where the limit was set: 0.3 s
SMALL_KIT = """beadwright: 1
kit: small
material: petg
parts:
  shelf-hook:
    found_by: {label: ["shelf-hook*"]}
    regions:
      low:
        within: {slab: {z: [2, 6]}}
        treat: {nozzle: {add: 5}, fan: {cap: 20%}, speed: {scale: 80%}, flow: {scale: 103%}}
"""


def _alternately(rounds: int, *commands: list[str], **how: object) -> list[list[float]]:
    """Seconds of each command in each round; how : as for `subprocess.run`."""
    found: list[list[float]] = [[] for _ in commands]
    for _ in range(rounds):
        for command, seconds in zip(commands, found, strict=True):
            begin = time.perf_counter()
            subprocess.run(command, capture_output=True, check=True, **how)  # type: ignore[call-overload]
            seconds.append(time.perf_counter() - begin)
    return found


def starting(_files: object) -> list[Row]:
    """What a command costs before it does anything."""
    script = Path(sys.executable).with_name("beadwright")
    ours = [str(script)] if script.exists() else [sys.executable, "-m", "gcodetools"]
    found = _alternately(ROUNDS, [*ours, "--version"], [sys.executable, "-c", "import click"], cwd=PROJECT)
    version, click = map(statistics.median, found)
    detail = f"{version * 1e3:.0f} ms over {click * 1e3:.0f} ms"
    return [Row('`beadwright --version` over `python -c "import click"`', version / click, 2, detail)]


def posting(_files: object) -> list[Row]:
    """What `post` costs on a small plate beyond the libraries it can't do without.

    Both run alternately, in processes of their own, as installed: with bytecode, which pip writes, and which a
    checkout may have to do without (PYTHONDONTWRITEBYTECODE). The first round of each writes it and is left out.
    """
    from gcodetools.demo import maker
    from gcodetools.demo.maker import Placement
    from gcodetools.demo.shapes import shelf_hook

    with tempfile.TemporaryDirectory(prefix="bench-post-") as name:
        folder = Path(name)
        kit, plate = folder / "small.kit.yaml", folder / "plate.gcode"
        kit.write_text(SMALL_KIT, "utf-8")
        parts = tuple(Placement(shelf_hook(height_mm=20.0), x, y) for x in (60, 120) for y in (60, 120))
        data = maker.make("B", parts=parts).data
        environment = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
        environment |= {"PYTHONPATH": str(PROJECT), "PYTHONPYCACHEPREFIX": str(folder / "bytecode")}
        post = [sys.executable, "-m", "gcodetools", "post", "--kit", str(kit), str(plate)]
        commands = ([sys.executable, "-c", LIBRARIES], post)
        found: list[list[float]] = [[], []]
        for _ in range(1 + ROUNDS):
            plate.write_bytes(data)
            for kept, (seconds,) in zip(
                found, _alternately(1, *commands, cwd=folder, env=environment), strict=True
            ):
                kept.append(seconds)
        if plate.read_bytes() == data:
            raise SystemExit("bench: post left the small plate as it was")
    libraries, whole = (statistics.median(seconds[1:]) for seconds in found)
    beyond = statistics.median(two - one for one, two in zip(found[0][1:], found[1][1:], strict=True))
    lines = data.count(b"\n")
    detail = (
        f"{whole * 1e3:.0f} ms, {beyond * 1e3:.0f} of them beyond {libraries * 1e3:.0f} ms; {lines:,} lines"
    )
    what = "`beadwright post` on a small plate: time beyond the import of its libraries, over that"
    return [Row(what, beyond / libraries, BEYOND, detail)]
