"""What is fuzzed: files gone wrong, through the command line in this process, and what must hold however they end.

A case is a target's name and the choices made; `run_case` makes its files in an empty folder, runs one to two commands
and raises `Broken` where a status is none of ours, an output fails its audit, a file changed that must not, litter
stays, a traceback or a warning of Python's is printed, or it took longer than its size allows.
"""

from __future__ import annotations

import contextlib
import gzip
import io
import os
import shutil
import signal
import tempfile
import time
import traceback
import warnings
import zipfile
from collections.abc import Callable, Iterator
from functools import lru_cache
from pathlib import Path
from types import FrameType
from typing import Any

import numpy as np
import yaml
from command_lines import command_line, may_write
from mutants import Choose, mutated_bytes, mutated_lines, mutated_tree, one_of, reshaped, swapped
from rewrites import encoded, rewritten

from gcodetools.cli.main import status_of
from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import Placement, make
from gcodetools.physics import cells as cells_of_arms
from gcodetools.trials.sheet_csv import sheet_text

ROOT = Path(__file__).resolve().parents[2]
ONE = (Placement("wedge-key-snug", 60, 110),)
LETTERS = ("A", "B", "B2", "C", "D", "E0", "E1", "G", "H", "I", "J")
OURS = {0, 2, 3, 4, 5, 6, 7}
# CPU seconds that a case may take: some, and so much a MB of all its files. A plate of 60 kB takes below 1 s.
SOME_S, PER_MB_S = 20.0, 20.0
SIX = (
    "{nozzle: {add: 4}, fan: {cap: 20%}, speed: {scale: 80%}, flow: {scale: 103%}, accel: {max: 700}, "
    "rest: {seconds: 2}, force: true}"
)
TREATS = (
    SIX, "{perimeters: {fill: true}}", "{perimeters: {add: 2, over_air: true}, infill: solid}",
    "{fit: {offset: -0.05}}",
    "{perimeters: {add: 1}, nozzle: {add: 8, mode: follow}, fan: {cap: 0%}, speed: {max: 20}}",
    "{nozzle: {set: 235, mode: pause}, fan: {set: 30%}, flow: {scale: 98%, outer: true}, fit: {offset: 0.05}}",
)  # fmt: skip
ORDER = """\
beadwright: 1
order: spring
kits: 6
one_kit: {wedge-key-snug: 4}
parts: {wedge-key-snug: 3}
zone: Europe/Vienna
start: 2026-03-27T08:00
due: 2026-03-28T12:00
plates:
  - {file: plate.gcode, holds: {wedge-key-snug: 1}}
printers:
  - {name: bench, machine: desktop-220, count: 2, hours: "07:00-23:00", swap: 10 min, failed: 5%, per_hour: 0.5}
  - {name: attic, machine: desktop-180, hours: {mon-fri: "08:00-17:00"}, swap: 10 min, failed: 10%, failed_at: end}
spools:
  - {material: petg, net_g: 1000, on_hand: 1, price: 22, opened_g: [300]}
electricity_per_kwh: 0.30
"""
INI = (
    b"[print:a]\ntemperature = 230,240\nlayer_height = 0.2\nperimeters = 2\nmax_fan_speed = 40\nfilament_type = PETG\n"
    b"nozzle_diameter = 0.4\nextrusion_width = 105%\nprinthost_apikey = s3cret\nslowdown_below_layer_time = 12\n"
    b"external_perimeter_speed = 50%\nperimeter_speed = 40\nstart_gcode = G28\\nM109 S[temperature]\n"
)
JSON = (
    b'{"type": "process", "nozzle_temperature": ["230", "240"], "wall_loops": "2", "fan_max_speed": ["40"],\n'
    b' "layer_height": "0.2", "filament_type": ["PETG"], "outer_wall_speed": ["50"], "line_width": "0.45"}\n'
)


class Broken(AssertionError):
    """Something that must hold however a run ends does not."""


class _TooLongError(BaseException):
    """Not to be caught by what is tested."""


# --- files to begin with


@lru_cache(maxsize=64)
def plate(letter: str, way: int = 0) -> bytes:
    """One key of the demo in a convention, made in one of a few ways."""
    more: dict[str, Any] = [
        {}, {"labelled": False}, {"relative_e": True}, {"relative_e": False}, {"firmware_retraction": True},
        {"newline": "\r\n"}, {"macro_start": True}, {"object_commands": "exclude"}, {"object_commands": "m486"},
    ][way]  # fmt: skip
    try:
        return make(letter, parts=ONE, **more).data
    except ValueError:
        return make(letter, parts=ONE).data


@lru_cache(maxsize=1)
def samples() -> tuple[bytes, ...]:
    """Samples of real files below 700 kB, where there are any."""
    named = os.environ.get("BEADWRIGHT_SHARED")
    folder = (Path(named) if named else ROOT.parent / "shared") / "gcode" / "samples"
    if not folder.is_dir():
        return ()
    found = sorted(p for p in folder.iterdir() if p.suffix in {".gcode", ".g"} and p.stat().st_size < 700_000)
    return tuple(p.read_bytes() for p in found)


def kit_text(treat: str = SIX, label: str = "*") -> str:
    """A kit of the key alone, by any label or by its outline, with a treatment in mid-height and its seat."""
    text = hoophouse_kit()
    begin = text.index("  wedge-key-snug:\n")
    own = text[begin : text.index("  wedge-key-easy:\n")].replace('"wedge-key-snug*"', f'"{label}"')
    own = own.replace("{flow: {scale: 102%}, accel: {max: 1000}}", treat).replace("&shank", "")
    middle = f"      middle: {{role: rib, within: {{slab: {{z: [1, 3]}}}}, treat: {treat}}}\n"
    return f"beadwright: 1\nkit: keys\nmaterial: petg\nbase: {{nozzle: 230, fan: 40%}}\nparts:\n{own}{middle}"


def any_kit(treat: str) -> str:
    """A kit for any labelled file: whatever prints, in a slab."""
    return (
        "beadwright: 1\nkit: any\nmaterial: petg\nbase: {nozzle: 210}\nparts:\n  thing:\n    found_by: {label: ['*']}\n"
        f"    regions:\n      zone: {{within: {{slab: {{z: [0.5, 2]}}}}, treat: {treat}}}\n"
    )


@lru_cache(maxsize=1)
def hoophouse_tree() -> Any:
    return yaml.safe_load(hoophouse_kit())


@lru_cache(maxsize=16)
def profile_tree(kind: str, name: str) -> Any:
    return yaml.safe_load((ROOT / "profiles" / kind / f"{name}.yaml").read_text(encoding="utf-8"))


def yaml_bytes(tree: Any) -> bytes:
    return yaml.safe_dump(tree, sort_keys=False, allow_unicode=True, width=1000).encode()


@lru_cache(maxsize=1)
def sheet() -> bytes:
    rng = np.random.default_rng(7)
    steps = [(t, f) for t in (220, 230, 240, 250) for f in (0, 40) for _ in range(2)]
    rows = [
        {
            "specimen": k + 1, "part": "bar", "x_mm": 20.0 + 30 * (k % 4), "y_mm": 20.0 + 40 * (k // 4), "z_mm": 20.0,
            "nozzle_c": float(t), "fan_percent": float(f), "section_mm2": 60.0, "layer_time_s": 12.0,
            "force_n": round(1900 * float(np.exp(-0.1 * ((t - 236) / 12) ** 2 + 0.04 * rng.normal())), 1),
        }
        for k, (t, f) in enumerate(steps)
    ]  # fmt: skip
    heads = {"file": "plate.gcode", "part": "bar", "region": "waist", "material": "petg"}
    return sheet_text(heads, ["nozzle", "fan"], rows).encode()


@lru_cache(maxsize=4)
def package(letter: str = "D") -> bytes:
    """A zip package with one plate and its lists, as its description has it."""
    text = plate(letter)
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(
            "Metadata/model_settings.config",
            '<config><plate><metadata key="plater_id" value="1"/>'
            '<metadata key="gcode_file" value="Metadata/plate_1.gcode"/></plate></config>',
        )
        archive.writestr(
            "Metadata/slice_info.config",
            '<config><plate><metadata key="index" value="1"/><metadata key="prediction" value="183"/>'
            '<metadata key="weight" value="0.61"/><filament id="1" used_m="0.21" used_g="0.61"/></plate></config>',
        )
        archive.writestr("Metadata/project_settings.config", JSON)
        archive.writestr("Metadata/plate_1.gcode", text)
    return made.getvalue()


# --- targets: choices -> files and commands


Case = tuple[dict[str, bytes], list[list[str]]]
KIT = ["--kit", "k.kit.yaml"]
GCODE_COMMANDS = (
    ["apply", "plate.gcode", *KIT, "-o", "o.gcode", "--verify", "--no-estimate"],
    ["apply", "plate.gcode", *KIT, "-o", "o.gcode", "--verify", "--json"],
    ["apply", "plate.gcode", *KIT, "-o", "o.gcode", "--verify", "--machine", "desktop-220", "--no-estimate"],
    ["post", *KIT, "--verify", "plate.gcode"],
    ["inspect", "plate.gcode", *KIT],
    ["estimate", "plate.gcode", *KIT],
)


PROFILES = (
    ("materials", "petg", "--material"), ("materials", "pla", "--material"), ("machines", "desktop-220", "--machine"),
    ("machines", "delta-200", "--machine"),
)  # fmt: skip


def print_and_kit(choose: Choose) -> tuple[bytes, str]:
    """A demo plate or a sample, with a kit for it."""
    real = samples()
    if real and choose(6) == 0:
        return one_of(choose, real), any_kit(one_of(choose, TREATS))
    return plate(one_of(choose, LETTERS), choose(9)), kit_text(one_of(choose, TREATS))


def gcode(choose: Choose) -> Case:
    """A demo plate or a sample, mutated, through what reads G-code."""
    data, kit = print_and_kit(choose)
    command = one_of(choose, GCODE_COMMANDS)
    return {"plate.gcode": mutated_lines(data, choose), "k.kit.yaml": kit.encode()}, [command]


def respoken(choose: Choose) -> Case:
    """A demo plate or a sample that says a stretch in other words, or is encoded otherwise."""
    data, kit = print_and_kit(choose)
    for _ in range(1 + choose(2)):
        data = encoded(data, choose) if choose(6) == 0 else rewritten(data, choose)
    if choose(5) == 0:
        data = mutated_lines(data, choose)
    return {"plate.gcode": data, "k.kit.yaml": kit.encode()}, [one_of(choose, GCODE_COMMANDS)]


def regions(choose: Choose) -> Case:
    """A kit whose regions lie elsewhere, are empty or overlap; now and then with a profile whose ends are swapped."""
    tree = hoophouse_tree() if choose(3) == 0 else yaml.safe_load(kit_text(one_of(choose, TREATS)))
    files = {
        "plate.gcode": plate(one_of(choose, LETTERS), choose(9)),
        "k.kit.yaml": yaml_bytes(reshaped(tree, choose)),
    }
    command = list(one_of(choose, GCODE_COMMANDS))
    if choose(3) == 0 and "post" not in command:
        kind, name, option = one_of(choose, PROFILES)
        files["p.yaml"] = yaml_bytes(swapped(profile_tree(kind, name), choose))
        command = [word for word in command if word not in ("--machine", "desktop-220")] + [
            option,
            "./p.yaml",
        ]
    commands = [["check", "k.kit.yaml", "-o", "k.svg"]] if choose(3) == 0 else []
    return files, [*commands, command]


def kits(choose: Choose) -> Case:
    """A kit whose tree is mutated: checked, and used on a plate."""
    tree = hoophouse_tree() if choose(2) else yaml.safe_load(kit_text(one_of(choose, TREATS)))
    data = yaml_bytes(mutated_tree(tree, choose))
    if choose(5) == 0:
        data = mutated_lines(data, choose)
    commands = [["check", "k.kit.yaml", "-o", "k.svg"]] if choose(3) == 0 else []
    return {"plate.gcode": plate("B"), "k.kit.yaml": data}, [*commands, one_of(choose, GCODE_COMMANDS)]


def orders(choose: Choose) -> Case:
    """An order, mutated."""
    data = yaml_bytes(mutated_tree(yaml.safe_load(ORDER), choose))
    if choose(5) == 0:
        data = mutated_lines(data, choose)
    return {"plate.gcode": plate("B"), "run.order.yaml": data}, [
        ["plan", "run.order.yaml", "--runs", "100", "--csv", "o.csv", "--ics", "o.ics"]
    ]


def sheets(choose: Choose) -> Case:
    """A filled-in table, mutated as text and in its cells."""
    data = sheet()
    for _ in range(choose(5)):
        lines = data.split(b"\n")
        at = choose(len(lines))
        cells = lines[at].split(b",")
        new = (
            b"",
            b">120",
            b"<5",
            b"nan",
            b"-3",
            b"0",
            b"1e400",
            b'"',
            b"x",
            b"9" * 400,
            b"1;2",
            b"=1+1",
            b"held",
            b"\xff",
        )
        cells[choose(len(cells))] = one_of(choose, new)
        lines[at] = b",".join(cells)
        data = b"\n".join(lines)
    if choose(3) == 0:
        data = mutated_lines(data, choose)
    more = one_of(choose, ([], ["--shape-only"], ["--json"], ["-o", "m.yaml", "--machine", "desktop-220"]))
    return {"s.csv": data}, [["tune", "s.csv", *more]]


def settings(choose: Choose) -> Case:
    """A slicer's settings, mutated."""
    name, data = one_of(
        choose,
        (
            ("s.ini", INI),
            ("s.json", JSON),
            ("s.gcode", plate("B")),
            ("s.gcode", plate("D")),
            ("s.gcode", plate("G")),
        ),
    )
    data = mutated_lines(data, choose)
    carry = ["-o", f"o{name[1:]}", "--machine", "desktop-220", "--material", "petg"]
    command = one_of(
        choose,
        (
            ["show", name, "--all"], ["show", name, "--json"], ["audit", name, "--machine", "desktop-220", *KIT],
            ["carry", name, "--treatment", "stout", *carry],
            ["carry", name, *KIT, "--region", "wedge-key-snug/middle", *carry],
        ),
    )  # fmt: skip
    return {name: data, "k.kit.yaml": kit_text().encode()}, [["profile", *command]]


def profiles(choose: Choose) -> Case:
    """A material or machine from a stranger, mutated."""
    kind, name, option = one_of(choose, PROFILES)
    data = yaml_bytes(mutated_tree(profile_tree(kind, name), choose))
    if choose(6) == 0:
        data = mutated_lines(data, choose)
    command = one_of(
        choose,
        (
            ["apply", "plate.gcode", *KIT, "-o", "o.gcode", "--verify"],
            ["estimate", "plate.gcode", *KIT, "--json"],
            ["inspect", "plate.gcode", *KIT],
            *([["check", "k.kit.yaml"]] if option == "--material" else []),
        ),
    )
    files = {"plate.gcode": plate("B"), "k.kit.yaml": kit_text().encode(), "p.yaml": data}
    return files, [[*command, option, "./p.yaml"]]


def containers(choose: Choose) -> Case:
    """A gz, a package or a binary container, damaged; or with a mutated text inside."""
    way, inside = choose(3), choose(2)
    kit = kit_text().encode()
    if way == 0:
        data = (
            gzip.compress(mutated_lines(plate("B"), choose), 6, mtime=0)
            if inside
            else gzip.compress(plate("B"), mtime=0)
        )
    elif way == 1:
        data = _repacked(package(), choose) if inside else package()
    else:
        real = [p for p in _containers() if p]
        data = one_of(choose, real) if real else package()
        kit = any_kit(SIX).encode()
    if not inside or choose(4) == 0:
        data = mutated_bytes(data, choose)
    command = one_of(
        choose,
        (
            ["inspect", "p.x"], ["apply", "p.x", *KIT, "-o", "o.gcode", "--verify", "--no-estimate"],
            ["post", *KIT, "p.x"], ["profile", "show", "p.x"],
        ),
    )  # fmt: skip
    return {"p.x": data, "k.kit.yaml": kit}, [command]


@lru_cache(maxsize=1)
def _containers() -> tuple[bytes, ...]:
    named = os.environ.get("BEADWRIGHT_SHARED")
    folder = (Path(named) if named else ROOT.parent / "shared") / "gcode" / "samples"
    if not folder.is_dir():
        return ()
    return tuple(p.read_bytes() for p in sorted(folder.iterdir()) if p.suffix in {".3mf", ".bgcode"})


def _repacked(data: bytes, choose: Choose) -> bytes:
    """A package with one of its entries mutated, renamed or doubled."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        held = [(info.filename, archive.read(info)) for info in archive.infolist()]
    at = choose(len(held))
    name, content = held[at]
    way = choose(4)
    if way == 0:
        held[at] = (
            one_of(choose, ("../x", "/x", "Metadata/plate_2.gcode", "a\nb", "", name.upper())) or "x",
            content,
        )
    elif way == 1:
        held.append((name, content))
    else:
        held[at] = (name, mutated_lines(content, choose))
    made = io.BytesIO()
    with warnings.catch_warnings(), zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        warnings.simplefilter("ignore")
        for entry in held:
            archive.writestr(*entry)
    return made.getvalue()


def options(choose: Choose) -> Case:
    """Files that are well, and a command line that is not."""
    files = {
        "plate.gcode": plate("B"), "other.gcode": plate("B", 2), "p.3mf": package("B"),
        "k.kit.yaml": kit_text().encode(), "run.order.yaml": ORDER.encode(), "s.csv": sheet(), "s.ini": INI,
        "s.json": JSON,
    }  # fmt: skip
    return files, [command_line(choose)]


TARGETS: dict[str, Callable[[Choose], Case]] = {
    "gcode": gcode, "kits": kits, "orders": orders, "sheets": sheets, "settings": settings, "profiles": profiles,
    "containers": containers, "respoken": respoken, "regions": regions,
    "options": options,
}  # fmt: skip


# --- running, and what must hold


def run_case(case: Case, some_s: float = SOME_S) -> list[int]:
    """Run a case's commands in a folder of its own; the statuses.

    Raises
    ------
    Broken : see above.
    """
    files, commands = case
    folder = Path(tempfile.mkdtemp(prefix="beadwright-fuzz-"))
    before = Path.cwd()
    bound_s = some_s + PER_MB_S * sum(map(len, files.values())) / 1e6
    ended = []
    try:
        os.chdir(folder)
        for name, data in files.items():
            (folder / name).write_bytes(data)
        for command in commands:
            ended.append(_run(command, files, folder, bound_s))
    finally:
        os.chdir(before)
        shutil.rmtree(folder, ignore_errors=True)
    return ended


def _run(command: list[str], files: dict[str, bytes], folder: Path, bound_s: float) -> int:
    out, err = _Stream(), _Stream()
    was = {p.name for p in folder.iterdir()}
    began = time.process_time()
    try:
        with _bounded(bound_s), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), _watched():
            status = status_of(command)
    except _TooLongError as error:
        where = "".join(traceback.format_tb(error.__traceback__)[-4:])
        raise Broken(f"{command}: over {bound_s:.1f} s of CPU\n{where}") from None
    said = out.text() + err.text()
    told = f"{command}: status {status} in {time.process_time() - began:.1f} s: {said[-3000:]}"
    if status not in OURS:
        raise Broken(told)
    if "Traceback" in said or "Warning:" in said:
        raise Broken(told)
    if status and not (err.text().startswith(("error: ", "warning: ")) and "\nerror: " in f"\n{err.text()}"):
        raise Broken(f"no error said: {told}")
    may = may_write(command, status)
    for name, data in files.items():
        # What is read is written over by `post` alone.
        read = command[0] != "post" and command.count(name) > 1
        if (name not in may or read) and (folder / name).read_bytes() != data:
            raise Broken(f"{name} is another: {told}")
    there = {p.name for p in folder.iterdir()} - was
    if there - may:
        raise Broken(f"{sorted(there - may)} is there: {told}")
    return status


class _Stream(io.TextIOWrapper):
    """A text stream in memory with a buffer for bytes, as standard streams have."""

    def __init__(self) -> None:
        super().__init__(io.BytesIO(), encoding="utf-8", errors="backslashreplace")

    def text(self) -> str:
        self.flush()
        return self.buffer.getvalue().decode(errors="replace")  # type: ignore[attr-defined]


@contextlib.contextmanager
def _watched() -> Iterator[None]:
    """Warnings are errors, strength counts in few cells, and the place of a fault is told."""
    cells = cells_of_arms._CELLS
    os.environ["BEADWRIGHT_TRACEBACK"] = "1"
    try:
        cells_of_arms._CELLS = 3_000
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            warnings.filterwarnings("ignore", category=DeprecationWarning)
            yield
    finally:
        cells_of_arms._CELLS = cells
        del os.environ["BEADWRIGHT_TRACEBACK"]


@contextlib.contextmanager
def _bounded(bound_s: float) -> Iterator[None]:
    """Stop what takes longer, by the process's own CPU time, so that a busy machine is no fault."""

    def stop(number: int, frame: FrameType | None) -> None:
        raise _TooLongError

    if not hasattr(signal, "setitimer"):
        yield
        return
    before = signal.signal(signal.SIGVTALRM, stop)
    signal.setitimer(signal.ITIMER_VIRTUAL, bound_s)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, before)
