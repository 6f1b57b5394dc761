"""Command lines gone wrong: any command with any of its options, values fit or unfit, on files that are well."""

from __future__ import annotations

import importlib
from functools import cache
from pathlib import Path
from typing import Any

import click
from mutants import Choose, one_of

# What an option takes that is no switch, number or choice: fit words first, then what people and scripts give.
UNFIT = (
    "", " ", "-", "--", ".", "..", "nowhere/x.y", "/", "nan", "inf", "-inf", "-1", "0", "1e999", "9" * 400, "1e-320",
    "x", "a=b=c", "=", "=5", "nozzle=", "wedge-key-snug", "wedge-key-snug/", "/middle", "wedge-key-snug#0", "#1", "*",
    "[", "**", "a,b,,", ",", "\u0663", "a\nb", "\x1b[2J", "\u202e", "k.kit.yaml", "plate.gcode", "p.3mf", "s.csv",
    "run.order.yaml", "petg", "desktop-220",
)  # fmt: skip
FIT: dict[str, tuple[str, ...]] = {
    "--kit": ("k.kit.yaml", "k.kit.yaml", "k.kit.yaml", "k.kit.yaml", "."),
    "-o": ("o.gcode", "o.svg", "o.yaml", "o", "-", "o.gcode", "o.svg", "o.yaml", "plate.gcode", "k.kit.yaml"),
    "--machine": ("desktop-220", "desktop-180", "delta-200", "nothing-1"),
    "--material": ("petg", "pla", "abs", "tpu", "nothing"),
    "--set": (
        "material.price_per_kg=22", "machine.power_w=1", "machine.bed=0", "material.nozzle_c=230..10",
        "material.density=1e9",
        "material.bond=1", "material.price_per_kg=0", "material.ooze_mm=100", "machine.accel=0", "price=1",
    ),
    "--region": ("wedge-key-snug/middle", "wedge-key-snug/seat"),
    "--only": ("wedge-key-snug", "wedge-key-snug#1", "wedge-key-snug#1,2"),
    "--object": ("*", "wedge-key-snug*"),
    "--instance": ("wedge-key-snug#1",),
    "--vary": ("nozzle=220:240:10", "fan=0%,25%", "speed=50%,100%", "flow=98%,102%", "perimeters=1,2", "flow=98:104:2"),
    "--hold": ("fan=20%", "nozzle=230", "speed=80%"),
    "--limit": ("nozzle=220..250", "fan=0..40"),
    "--now": ("nozzle=230", "fan=40"),
    "--scatter": ("12%", "0%", "1000%"),
    "--offsets": ("0.05", "0.05,-0.05", "0"),
    "--offset": ("0.05", "-0.05", "0.2", "0"),
    "--layers": ("1-3", "3-1", "1-100000"),
    "--size": ("160x100", "1x1", "100000x100000", "0x0"),
    "--against": ("plate.gcode", "other.gcode", "untreated", "treated"),
    "--csv": ("o.csv",),
    "--ics": ("o.ics",),
    "--plot": ("o.svg",),
    "--log": ("o.log", "o.log", "plate.gcode"),
    "--sheet": ("sheets", "."),
    "--treatment": ("stout", "none"),
    "--layer": ("1", "2", "24", "99"), "--runs": ("100", "200", "4"), "--repeat": ("1", "2"), "--bands": ("1", "2"),
    "--plate": ("1", "1", "2"), "--plate-before": ("1",), "--gap": ("0.4", "0", "100"), "--margin": ("1.5", "0.1"),
    "--minutes": ("5", "0.01"), "--squeeze": ("0.1", "-0.1"), "--blend": ("0.5", "3"), "--section-mm2": ("60",),
    "--wall-mm": ("4",), "--seed": ("1", "7"), "--tool": ("0", "1"),
}  # fmt: skip
NUMBERS = ("0", "1", "2", "3", "-1", "0.5", "100", "1e9", "nan", "inf", "-inf", "9" * 30, "1e-320", "x", "")
# Commands that write but a file or nothing, with what they are given; `batch` and `demo` fill folders.
GIVEN: dict[str, tuple[str, ...]] = {
    "inspect": ("plate.gcode", "p.3mf"), "apply": ("plate.gcode", "p.3mf"), "post": ("plate.gcode", "p.3mf"),
    "estimate": ("plate.gcode",), "advise": ("plate.gcode",), "compare": ("plate.gcode", "other.gcode"),
    "report": ("plate.gcode",), "plot": ("plate.gcode",), "check": ("k.kit.yaml",), "ladder": ("plate.gcode",),
    "tune": ("s.csv",), "nudge": ("plate.gcode",), "plan": ("run.order.yaml",), "learn": ("plate.gcode",),
    "schema": ("kit", "order", "material"), "profile show": ("s.ini", "s.json", "plate.gcode"),
    "profile audit": ("s.ini", "s.json"), "profile carry": ("s.ini", "s.json"),
}  # fmt: skip
# One of these is put there nearly always: what a command does nothing without.
NEEDED: dict[str, tuple[tuple[str, ...], ...]] = {
    "plan": (("--runs", "100"),),
    "plot": (("--layer", "2"), ("--strip", "--instance", "wedge-key-snug#1"), ("--trace",)),
    "nudge": (("--offset", "0.05"), ("--offset=-0.03",), ("--offsets", "0.05")),
    "ladder": (
        ("--region", "wedge-key-snug/middle"),
        ("--region", "wedge-key-snug/middle", "--by", "height"),
    ),
    "profile carry": (("--treatment", "stout"), ("--region", "wedge-key-snug/middle")),
    "advise": (("--margin", "1.5"), ("--minutes", "5")),
    "learn": (("--object", "*"),),
}


@cache
def parameters(command: str) -> tuple[click.Option, ...]:
    """The options of a command, `--help` left out."""
    name, *sub = command.split()
    found: Any = importlib.import_module(f"gcodetools.cli.{name}").command
    for one in sub:
        found = found.commands[one]
    return tuple(p for p in found.params if isinstance(p, click.Option) and p.name != "help")


def _value(option: click.Option, choose: Choose) -> str:
    """A value for an option: fit nine times in ten."""
    fit: tuple[str, ...] = next((FIT[name] for name in option.opts if name in FIT), ())
    if isinstance(option.type, click.Choice):
        fit = tuple(map(str, option.type.choices))
    if fit and choose(10):
        return one_of(choose, fit)
    number = isinstance(option.type, click.types.IntParamType | click.types.FloatParamType)
    return one_of(choose, NUMBERS if number and choose(4) else UNFIT)


def command_line(choose: Choose) -> list[str]:
    """A command with what it is given, most of the options it needs, and a few others, each now and then twice."""
    command = one_of(choose, tuple(GIVEN))
    given = [one_of(choose, GIVEN[command]) for _ in range(2 if command == "compare" else 1)]
    if choose(12) == 0:
        given[choose(len(given))] = one_of(choose, UNFIT)
    words = list(one_of(choose, NEEDED[command])) if command in NEEDED and choose(12) else []
    for option in parameters(command):
        if option.opts[0] in words and choose(10):
            continue
        wanted = option.required or option.opts[0] in ("--kit", "-o")
        for _ in range((choose(30) > 0) if wanted else (choose(8) == 0) * (1 + (choose(6) == 0))):
            words += [one_of(choose, option.opts), *([] if option.is_flag else [_value(option, choose)])]
    return [*command.split(), *words, *given] if choose(2) else [*command.split(), *given, *words]


def may_write(command: list[str], status: int) -> set[str]:
    """What a command line may leave behind or change: files to write if all went well, and logs."""
    names = {"--log"} if status else {"-o", "--out", "--csv", "--ics", "--plot", "--log", "--sheet"}
    named = {command[k + 1].rstrip("/") for k, word in enumerate(command[:-1]) if word in names}
    if command[0] in ("learn", "ladder") and status == 0:  # what goes beside its output
        stems = {one.removesuffix(".yaml").removesuffix(".kit") for one in named}
        named |= {f"{one}.svg" for one in stems}
        named |= {f"{Path(one).stem}.sheet{end}" for one in named for end in (".html", ".csv")}
    if command[0] == "post" and status == 0:
        named |= {command[1], command[-1]} - {"k.kit.yaml"}  # its file is given first or last
    return named
