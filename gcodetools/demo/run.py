"""The demo's run: make the plate and the kit, treat, read back, name what to open."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import make_plate
from gcodetools.demo.picture import clip_picture
from gcodetools.demo.plates import clip_and_hook
from gcodetools.demo.story import STORY_NAMES, tell
from gcodetools.errors import CannotWrite, StrictWarning
from gcodetools.gcode.files import write_atomic
from gcodetools.jobs.advice_climb import Goal
from gcodetools.jobs.advise import advise_plate
from gcodetools.jobs.apply import Applied, Options, apply_plate
from gcodetools.jobs.check import checked
from gcodetools.jobs.gains import gains_of
from gcodetools.jobs.learn import drawing_beside, learnt_record
from gcodetools.jobs.records import Approve, unopposed
from gcodetools.jobs.report import report_plates
from gcodetools.kit.drawing import draw_sections
from gcodetools.kit.learning import learn
from gcodetools.kit.schema import Kit, kit_from_bytes
from gcodetools.report.page import assemble
from gcodetools.toolpath.plate import Plate

__all__ = ["run_demo"]

_ASKED, _MARGIN = ("film-clip/lips", "shelf-hook/finger"), 1.5
_NAMES = (
    "hoophouse.kit.yaml", "hoophouse.svg", "plate.gcode", "plate-treated.gcode", "film-clip-layer.svg",
    "learnt.kit.yaml", "pair.gcode", "hoophouse.html",
)  # fmt: skip


def run_demo(
    folder: Path, progress: Callable[[str], None], approve: Approve = unopposed
) -> tuple[dict[str, Any], list[str]]:
    """Record and warnings of the demo in `folder`; its files are written once all of it is worked out.

    approve : see `records.Approve`.

    Raises
    ------
    CannotWrite : the folder can't be made or written to.
    """
    _check_folder(folder)
    kit_at, drawing, plate_at, treated, picture, learnt_at, pair_at, page_at = (
        folder / name for name in _NAMES
    )
    progress("making the plate")
    kit_text, sliced, pair = hoophouse_kit().encode(), make_plate(), make_plate(parts=clip_and_hook())
    progress("checking the kit")
    kit = kit_from_bytes(kit_text, str(kit_at), folder)
    check_record, warnings = checked(kit)
    progress("reading")
    plate = Plate.from_bytes(sliced, str(plate_at))
    applied = apply_plate(plate, kit, Options((kit_at,)), progress)
    progress("learning a part")
    learnt = learn(plate, "film-clip")
    learn_record = learnt_record(learnt, plate_at, learnt_at)
    warnings = [*warnings, *applied.warnings, *learnt.warnings]
    approve(warnings)
    both = Plate.from_bytes(pair, str(pair_at))
    gains, advice, page = _told(applied, kit, both, progress)
    there = {path for path in map(folder.joinpath, (*_NAMES, *STORY_NAMES)) if path.exists()}
    _written(
        folder,
        {
            kit_at: kit_text,
            plate_at: sliced,
            pair_at: pair,
            page_at: page,
            drawing: draw_sections(kit).encode(),
            treated: applied.treated.render(),
            picture: clip_picture(applied).encode(),
            learnt_at: learnt.kit_text.encode(),
            drawing_beside(learnt_at): learnt.drawing.encode(),
        },
    )
    story, more = tell(folder, kit, plate, both, progress)
    warnings += more
    _approved(approve, warnings, [folder / name for name in (*_NAMES, *STORY_NAMES)], there)
    record = {
        "schema": "beadwright.demo/1",
        "folder": str(folder),
        "check": {**check_record, "drawing": str(drawing)},
        "apply": {**applied.record, **gains, "out": str(treated)},
        "advise": advice,
        "learn": learn_record,
        "story": story,
        "open": _named(*_of_plates(folder), *_of_story(folder)),
        "next": f"beadwright inspect {plate_at} --kit {kit_at}",
    }
    return record, warnings


def _of_plates(folder: Path) -> list[tuple[Path, str]]:
    told = (
        ("hoophouse.html", "the page: will it hold, what does it cost, layer by layer; in a browser"),
        ("hoophouse.kit.yaml", "the kit: parts, regions and treatments, with comments"),
        ("hoophouse.svg", "its parts and regions, drawn"),
        ("plate.gcode", "the plate as sliced"),
        ("plate-treated.gcode", "the plate as treated; compare it with the one above"),
        ("pair.gcode", "one clip and one hook, which `advise` was asked about"),
        ("film-clip-layer.svg", "one layer of a film clip before and after: what its lips gained"),
        ("learnt.svg", "the drawing `learn` makes of one part of a plate"),
    )
    return [(folder / name, what) for name, what in told]


def _of_story(folder: Path) -> list[tuple[Path, str]]:
    told = (
        ("hooks-ladder.sheet.html", "the sheet of a ladder, to print: which hook got what"),
        ("hooks-broken.csv", "its table, filled in with forces that are invented"),
        ("bench-petg.yaml", "the material that `tune` made of it"),
        ("bench-petg.svg", "what broke, by nozzle and fan, with what was fitted"),
        ("keys-nudged.gcode", "four keys of four fits"),
        ("bench-carried.ini", "a slicer's settings with the hook's treatment carried into them"),
        ("run.csv", "the run of forty benches: which plate when on which printer"),
        ("run.ics", "the same for a calendar"),
    )
    return [(folder / name, what) for name, what in told if (folder / name).exists()]


def _approved(approve: Approve, warnings: list[str], made: list[Path], there: set[Path]) -> None:
    """Ask once more, of what the later steps warn of; what is new goes again if it is refused."""
    try:
        approve(warnings)
    except StrictWarning:
        for path in made:
            if path not in there:
                path.unlink(missing_ok=True)
        raise


def _named(*files: tuple[Path, str]) -> list[dict[str, str]]:
    return [{"path": str(path), "what": what} for path, what in files]


def _told(
    applied: Applied, kit: Kit, pair: Plate, progress: Callable[[str], None]
) -> tuple[dict[str, Any], dict[str, Any], bytes]:
    """What the treatment did to strength, what `advise` says of a clip and a hook, and the page."""
    options = Options(())
    progress("estimating strength")
    gains = gains_of(applied)
    advice, _ = advise_plate(pair, kit, options, _ASKED, Goal(margin=_MARGIN), progress)
    progress("drawing the page")
    data, _ = report_plates(applied.treated.plate, applied.treated.original, kit, options)
    return gains, advice, assemble(data)


def _check_folder(folder: Path) -> None:
    """Refuse what can't become a folder before the plate is made."""
    for place in (folder, *folder.parents):
        if os.path.isdir(place):  # noqa: PTH112 (never raises)
            return
        if os.path.lexists(place):
            raise CannotWrite(f"{folder}: can't make the folder: {place} is a file", "Name another.")


def _written(folder: Path, files: dict[Path, bytes]) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CannotWrite(f"{folder}: can't make the folder: {error.strerror}", "Name another.") from error
    for path, data in files.items():
        write_atomic(path, data)
