"""A kit of one small part, a plate of it, and what tests of batches ask and look at."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from shapely import box

from gcodetools.demo.maker import Placement, make
from gcodetools.demo.shapes import Bands, Part
from gcodetools.jobs.apply import Options
from gcodetools.jobs.batch import Asked

TAB = Part("tab", 1.0, Bands(((1.0, box(0, 0, 10, 8)),)))
KIT = """\
beadwright: 1
kit: tabs
material: petg
parts:
  tab:
    found_by: {label: "tab*"}
    regions:
      all: {within: all, treat: {speed: {scale: 50%}}}
"""


@lru_cache(maxsize=1)
def tab() -> bytes:
    """A plate with one of it."""
    return make("B", parts=(Placement(TAB, 60, 60),)).data


def asked(*given: str, **how: object) -> Asked:
    options = how.pop("options", {})
    kits = (Path("tabs.kit.yaml"),)
    paths = tuple(map(Path, given)) or (Path("in"),)
    return Asked(paths, None, Path("out"), Options(kits, **options), estimate=False, **how)  # type: ignore[arg-type]


def tree(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def quiet(stage: str) -> None:
    pass


def states(record: dict) -> dict[str, str]:
    return {row["file"]: row["state"] for row in record["plates"]}
