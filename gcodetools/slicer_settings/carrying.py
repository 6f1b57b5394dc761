"""A treatment's equivalent for the whole part, planned as changes of settings; and what of it settings can't hold.

Limits are those of treatments (`treat.limits`, `treat.nozzle`): beyond them nothing is planned, past the measured
peak of the nozzle it is done only up to there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal

from gcodetools.documents.profiles import Machine, Material
from gcodetools.errors import Refused
from gcodetools.kit.schema import Region
from gcodetools.kit.settings import Accel, Fan, Fit, Flow, Nozzle, Perimeters, Rest, Speed, Treatment
from gcodetools.slicer_settings.beads import Rate, perimeters_for, rates, wall_mm
from gcodetools.slicer_settings.changing import Changes, Toward
from gcodetools.slicer_settings.document import shown
from gcodetools.slicer_settings.names import ACCELS, BEAD_SPEEDS
from gcodetools.slicer_settings.readings import Profile, Reading

__all__ = ["WHOLE_PART", "Carried", "Carrier", "Outcome", "carry_all", "nozzle_bounds"]

Wish = Callable[[Fraction], Fraction]
WHOLE_PART = (
    "settings hold for the whole part, and for each part printed with them; what that costs in minutes and grams is "
    "what treating regions avoids: slice both and hold them against each other with `beadwright compare`"
)
_FANS = ("fan_min", "fan_max", "outer_fan", "top_fan", "loops_fan", "inside_fan", "fast_fan")
_BRIDGE_FANS = ("bridge_fan", "overhang_fan")
_LEAST_MM_S = 1e-9
_WHOLE = 100  # percent


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one setting of a treatment. carried : "wholly", "in part" or "not". keys : of the file, that it
    meant. why : what to know."""

    setting: str
    asked: str
    carried: Literal["wholly", "in part", "not"]
    keys: tuple[str, ...]
    why: tuple[str, ...]


@dataclass(slots=True)
class Carried:
    """All outcomes, and the changes they come to. warnings : sentences."""

    changes: Changes
    outcomes: list[Outcome] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Carrier:
    """What is carried where, and within which limits.

    unnamed_c : hottest nozzle where no machine is named. region : of a kit, None for a treatment by name. assumed :
    nobody names the material. tool : the tool meant, None for all.
    """

    profile: Profile
    treatment: Treatment
    material: Material
    machine: Machine | None
    unnamed_c: float
    region: Region | None = None
    assumed: bool = False
    tool: int | None = None


def carry_all(carrier: Carrier) -> Carried:
    """Plan all that a treatment asks.

    Raises
    ------
    Refused : beyond a limit of material or machine.
    """
    carried = Carried(Changes(carrier.profile, carrier.tool))
    before = list(_rates(carrier, carried.changes))
    for key in carrier.treatment.settings:
        work = _Work(carrier, carried.changes, key, getattr(carrier.treatment, key))
        carried.outcomes.append(work.done())
    _check_melt_rate(carrier, before, list(_rates(carrier, carried.changes)), carried)
    _check_speeds(carrier, carried.changes)
    return carried


class _Work:
    """One setting of a treatment."""

    def __init__(self, carrier: Carrier, changes: Changes, key: str, setting: object) -> None:
        self.carrier, self.changes, self.key, self.setting = carrier, changes, key, setting
        self.keys: list[str] = []
        self.why: list[str] = []
        self.missing = False  # something of it is not carried
        self.reached = 0  # numbers that say it now
        self.ini = carrier.profile.document.form == "ini"

    def done(self) -> Outcome:
        ways: dict[str, Callable[..., str]] = {
            "perimeters": self.perimeters, "infill": self.infill, "nozzle": self.nozzle, "fan": self.fan,
            "speed": self.speed, "flow": self.flow, "accel": self.accel, "rest": self.rest, "fit": self.fit,
        }  # fmt: skip
        asked = ways[self.key](self.setting)
        carried: Literal["wholly", "in part", "not"] = "not"
        if self.reached:
            carried = "in part" if self.missing else "wholly"
        keys = tuple(dict.fromkeys(self.keys))
        return Outcome(self.key, asked, carried, keys, tuple(dict.fromkeys(self.why)))

    # What is asked of each name.

    def each(
        self, names: tuple[str, ...], wish: Wish, toward: Toward = "old", *, alike: bool = False
    ) -> None:
        """Want `wish` of what each name says. alike : it comes to one value whatever stood there, so that tools or
        sections that differ must be told apart first."""
        meant: list[Reading] = []
        for name in names:
            found = self.changes.targets(name)
            valued = [r for r in found if r.number is not None and isinstance(r.value, Fraction)]
            meant += [] if self.apart(name, valued, alike) else valued
            for reading in found:
                self.unread(reading)
        # What others rest on first: where that does it, they stay as they are.
        for reading in sorted(meant, key=lambda r: r.base is not None):
            assert isinstance(reading.value, Fraction)
            if self.changes.want(reading, wish(reading.value), toward):
                self.reached += 1
                self.keys.append(reading.key)
            else:
                self.lacking(f"{shown(reading.key)} = {reading.text} can't say it: set it by hand")

    def apart(self, name: str, valued: list[Reading], alike: bool) -> bool:
        """Whether it is not clear which of several statements is meant; then it is said."""
        values = {r.value for r in valued}
        if len(values) < 2 or valued[0].step is not None:
            return False
        sections = {r.stated.section for r in valued if r.tool is None}
        if len(sections) > 1:
            told = ", ".join(f"[{shown(one)}]" if one else "the top" for one in sorted(sections)[:6])
            self.lacking(f"{name} stands differently in {told}: name one with --section")
            return True
        tools = sorted({r.tool for r in valued if r.tool is not None})
        if alike and len(tools) > 1:
            told = ", ".join(f"T{r.tool} {r.text}" for r in valued if r.tool is not None)
            self.lacking(f"{name} differs by tool ({told}): name the tool that prints the part with --tool")
            return True
        return False

    def unread(self, reading: Reading) -> None:
        """Say why a statement is left as it is."""
        key = shown(reading.key)
        if reading.state == "expression":
            self.lacking(f"{key} is worked out from other settings ({reading.text}): set it by hand")
        elif reading.state == "share":
            told = f"{key} = {reading.text} is a share of another setting, and follows that one"
            # All that it may be a share of is scaled or capped alike.
            rate = reading.name in (*BEAD_SPEEDS, *ACCELS) and reading.number is not None
            if rate and reading.number is not None and reading.number.value <= _WHOLE:
                self.why.append(told)
            else:
                self.lacking(told)
        elif reading.state == "absent":
            self.lacking(f"{key} is left empty, so that what it inherits holds: set it by hand")
        elif reading.state == "unreadable":
            self.lacking(f"{key} = {reading.text} can't be read as one number: set it by hand")

    def lacking(self, why: str) -> None:
        self.missing = True
        self.why.append(why)

    def none_stated(self, name: str, value: str | None = None) -> None:
        """Say what to do where nothing states a name."""
        if self.changes.targets(name) or self.reached:
            return
        spelled = self.carrier.profile.table.spelled(name)
        others = self.carrier.profile.of(name)
        if others:
            self.lacking(f"{shown(others[0].key)} says nothing for T{self.carrier.tool}: set it by hand")
        elif not spelled:
            self.lacking(
                f"no key for it is known in convention {self.carrier.profile.table.letter}: set it by hand"
            )
        elif value is not None and self.ini and spelled[0] in self.carrier.profile.table.keys:
            self.lacking(
                f"the file has no key for it, and none is added: add the line `{spelled[0]} = {value}`"
            )
        else:
            self.lacking(f"the file has no key for it ({spelled[0]}), and none is added: set it by hand")

    # The settings.

    def nozzle(self, setting: Nozzle) -> str:
        low, high, source = nozzle_bounds(self.carrier)
        peak = self.carrier.material.measured_peak_c
        asked = f"{setting.add_c:+g} C" if setting.add_c is not None else f"{setting.set_c:g} C"

        def wish(own: Fraction) -> Fraction:
            value = (
                own + Fraction(str(setting.add_c))
                if setting.add_c is not None
                else Fraction(str(setting.set_c))
            )
            self.check_nozzle(own, value, low, high, source)
            if peak is None or value <= max(Fraction(str(peak.value)), own):
                return value
            self.lacking(f"only up to the measured peak of {peak.value:g} C ({peak.flag})")
            return max(Fraction(str(peak.value)), own)

        self.each(("nozzle_c", "first_nozzle_c"), wish, alike=setting.set_c is not None)
        first = [r.key for r in self.changes.targets("first_nozzle_c") if r.key in self.keys]
        if first:
            self.why.append(f"the first layer's too ({', '.join(dict.fromkeys(map(shown, first)))})")
        self.none_stated("nozzle_c", None if setting.set_c is None else f"{setting.set_c:g}")
        return asked

    def check_nozzle(self, own: Fraction, value: Fraction, low: float, high: float, source: str) -> None:
        """Refuse a temperature that nothing is to be printed at.

        Raises
        ------
        Refused : with the value and its limit.
        """
        name, usual = self.carrier.profile.document.name, self.carrier.material.nozzle_c
        if self.carrier.assumed and not usual.low <= own <= usual.high:
            raise Refused(
                f"{name}: the settings print at {float(own):g} C; {self.carrier.material.name.upper()} is only "
                f"assumed, since nobody names a material, and does not fit: it prints at {usual.low:g} to "
                f"{usual.high:g} C",
                "Name the material: --material NAME.",
            )
        if not low <= value <= high:
            raise Refused(
                f"{name}: `nozzle` would make {float(value):g} C of {float(own):g} C, allowed are {low:g} to "
                f"{high:g} C ({source})",
                "Ask for less, or name the material and the machine that allow it (--material, --machine)."
                if value > high
                else "Ask for a hotter nozzle, or name the material that allows it (--material).",
            )

    def fan(self, setting: Fan) -> str:
        limits = self.carrier.material.fan
        low, high = Fraction(str(limits.low)), Fraction(str(limits.high))
        plain, asked = _fan_wish(setting)

        def wish(own: Fraction) -> Fraction:
            if own <= 0:
                return own  # what is kept off stays off
            value = min(max(plain(own), Fraction(0)), Fraction(1))
            bounded = max(value, min(low, own)) if value < own else min(value, max(high, own))
            if bounded != value:
                word = "down" if value < own else "up"
                name = self.carrier.material.name
                self.lacking(
                    f"only {word} to {float(bounded):.0%}, the fan of material {name} ({limits.flag})"
                )
            return bounded

        names = _FANS + (_BRIDGE_FANS if setting.bridges else ())
        toward: Toward = "down" if setting.cap is not None else "old"
        self.each(names, wish, toward, alike=setting.set is not None)
        kept = [shown(r.key) for name in _BRIDGE_FANS for r in self.changes.targets(name)]
        if kept and not setting.bridges:
            self.why.append(f"bridges and overhangs keep theirs ({', '.join(dict.fromkeys(kept))})")
        off = self.changes.targets("fan_off_layers")
        if off and self.reached:
            self.why.append(
                f"layers without fan stay without ({', '.join(dict.fromkeys(shown(r.key) for r in off))})"
            )
        value = setting.cap if setting.cap is not None else setting.set
        self.none_stated("fan_max", None if value is None else f"{100 * value:g}")
        return asked

    def speed(self, setting: Speed) -> str:
        if setting.scale is not None:
            factor = Fraction(str(setting.scale))
            self.each(BEAD_SPEEDS, lambda own: own * factor)
            self.caps(factor)
            asked = f"{setting.scale:.0%}"
        else:
            most = Fraction(str(setting.max_mm_s))
            self.each(BEAD_SPEEDS, lambda own: min(own, most), "down")
            asked = f"at most {setting.max_mm_s:g} mm/s"
        if not any(self.changes.targets(name) for name in BEAD_SPEEDS):
            self.none_stated("speed_outer_mm_s")
        slowed = self.changes.targets("min_layer_time_s")
        if (
            slowed
            and self.reached
            and self.carrier.profile.flag("auto_cooling", self.carrier.tool) is not False
        ):
            self.why.append(f"layers that {shown(slowed[0].key)} slows down already get less of it")
        return asked

    def caps(self, factor: Fraction) -> None:
        """Scale the most plastic a second too where that, and no speed, says how fast beads are."""
        profile, tool = self.carrier.profile, self.carrier.tool
        if self.reached and any(rate.capped for rate in rates(_look(profile, tool))):
            names = ("max_flow_mm3_s", "max_flow_print_mm3_s")
            self.each(names, lambda own: own * factor)
            keys = [shown(r.key) for name in names for r in self.changes.targets(name) if r.key in self.keys]
            self.why.append(f"{', '.join(keys)} held beads down, so that it is scaled too")

    def flow(self, setting: Flow) -> str:
        factor = Fraction(str(setting.scale))
        self.each(("flow",), lambda own: own * factor)
        if not setting.outer and self.reached:
            self.lacking(
                "the outermost perimeter gets it too, so that the outside grows: keeping its flow is local"
            )
        self.none_stated("flow")
        return f"{setting.scale:.0%}" + (" with the outermost perimeter" if setting.outer else "")

    def accel(self, setting: Accel) -> str:
        most = Fraction(str(setting.max_mm_s2))
        self.each(ACCELS, lambda own: min(own, most), "down")
        if not any(self.changes.targets(name) for name in ACCELS):
            self.none_stated("accel_mm_s2", f"{setting.max_mm_s2:g}")
        elif not self.reached and not self.missing:
            self.lacking("every acceleration is left open (0): the firmware's own holds, and none is added")
        return f"at most {setting.max_mm_s2:g} mm/s2"

    def perimeters(self, setting: Perimeters) -> str:
        asked = f"{setting.add} more" if setting.add is not None else "as many as fill the room"
        if self.spiral():
            return asked
        if setting.add is not None:
            add = setting.add
            self.each(("perimeters",), lambda own: own + add)
            self.none_stated("perimeters")
        else:
            self.fill()
        if setting.over_air:
            self.lacking("over_air is local: the slicer lays perimeters over air where the part has them")
        if setting.from_below:
            self.lacking(f"from_below: {setting.from_below} is local: settings begin at the first layer")
        return asked

    def fill(self) -> None:
        """Enough perimeters for the wall that the region's load states, else solid fill."""
        look = _look(self.carrier.profile, self.carrier.tool)
        wall = wall_mm(self.carrier.region) if self.carrier.region is not None else None
        width = look("width_perimeter_mm") or look("width_outer_mm") or look("width_mm")
        height = look("layer_height_mm")
        if wall is None or width is None or height is None:
            what = (
                "no load of the region says how thick its wall is"
                if wall is None
                else "width or height is not told"
            )
            self.solid()
            self.lacking(f"{what}: solid fill instead, whose lines do not follow the walls")
            return
        count = perimeters_for(wall, width, height)
        self.each(("perimeters",), lambda own: max(own, Fraction(count)))
        self.why.append(f"{count} from each side fill the wall of {wall:g} mm at {width:g} mm a bead")
        self.lacking("rooms of other widths get as many and no more; a bead fitted to the room is local")
        self.none_stated("perimeters", str(count))

    def infill(self, setting: str) -> str:
        if not self.spiral():
            self.solid()
        return setting

    def solid(self) -> None:
        self.each(("infill_density",), lambda own: max(own, Fraction(1)))
        self.none_stated("infill_density", "100%")

    def spiral(self) -> bool:
        if not self.carrier.profile.flag("spiral", self.carrier.tool):
            return False
        keys = [shown(r.key) for r in self.changes.targets("spiral")]
        self.lacking(
            f"a spiral ({', '.join(keys)}) has one perimeter and no fill: switch it off by hand first"
        )
        return True

    def rest(self, setting: Rest) -> str:
        least = self.carrier.profile.number("min_layer_time_s", self.carrier.tool)
        keys = [shown(r.key) for r in self.changes.targets("min_layer_time_s")]
        told = ""
        if least is not None and keys:
            told = (
                f"; by hand, {keys[0]} = {float(least) + setting.seconds:g} would keep layers that last the least time "
                "now as long, by slower beads; slower layers get nothing of it"
            )
        self.lacking(f"no setting lets the nozzle rest at a layer change{told}")
        return f"{setting.seconds:g} s a layer"

    def fit(self, setting: Fit) -> str:
        offset = Fraction(str(setting.offset_mm))
        self.each(("size_compensation_mm",), lambda own: own + offset)
        notes = [self.carrier.profile.table.keys[k].note for k in self.keys]
        self.why += [note for note in notes if note]
        if self.reached:
            self.lacking(
                "edges of holes may have a setting of their own: look at the first print, or slice and measure"
            )
        self.none_stated("size_compensation_mm", f"{setting.offset_mm:g}")
        return f"{setting.offset_mm:+g} mm"


def _fan_wish(setting: Fan) -> tuple[Wish, str]:
    if setting.cap is not None:
        cap = Fraction(str(setting.cap))
        return (lambda own: min(own, cap)), f"at most {setting.cap:.0%}"
    if setting.set is not None:
        fixed = Fraction(str(setting.set))
        return (lambda own: fixed), f"{setting.set:.0%}"
    if setting.scale is not None:
        factor = Fraction(str(setting.scale))
        return (lambda own: own * factor), f"{setting.scale:.0%} of the file's"
    add = Fraction(str(setting.add or 0))
    return (lambda own: own + add), f"{float(add):+.0%}"


def nozzle_bounds(carrier: Carrier) -> tuple[float, float, str]:
    """Coldest and hottest nozzle that may be asked for, C, and where the hottest is from.

    With no machine named, at most the larger of `unnamed_c` and the hottest that the settings have themselves.
    """
    material, machine = carrier.material, carrier.machine
    high, source = material.nozzle_c.high, f"material {material.name}"
    if machine is not None:
        limit, told = machine.hotend_max_c.value, f"machine {machine.name}"
    else:
        found = [r.value for name in ("nozzle_c", "first_nozzle_c") for r in carrier.profile.of(name)]
        own = max((float(value) for value in found if isinstance(value, Fraction)), default=0.0)
        limit = max(carrier.unnamed_c, own)
        told = f"no machine named, so at most {limit:g} C"
    if limit < high:
        high, source = limit, told
    return min(max(material.nozzle_c.low, material.min_extrusion_c.value), high), high, source


def _look(profile: Profile, tool: int | None) -> Callable[[str], float | None]:
    def look(name: str) -> float | None:
        value = profile.number(name, tool)
        return None if value is None else float(value)

    return look


def _rates(carrier: Carrier, changes: Changes) -> list[Rate]:
    """Plastic a second with all that is planned."""

    def look(name: str) -> float | None:
        found = [r for r in carrier.profile.of(name, carrier.tool or 0) if isinstance(r.value, Fraction)]
        value = changes.current(found[0]) if found else None
        return None if value is None else float(value)

    return list(rates(look))


def _check_melt_rate(carrier: Carrier, before: list[Rate], after: list[Rate], carried: Carried) -> None:
    """Refuse what melts worse than before and beyond the material's melt rate.

    Raises
    ------
    Refused : naming the speed.
    """
    limit = carrier.material.melt_rate_mm3_s
    was = {rate.name: rate.mm3_s for rate in before}
    for rate in after:
        if rate.mm3_s > limit.value * (1 + 1e-9) and rate.mm3_s > was.get(rate.name, 0.0) * (1 + 1e-9):
            raise Refused(
                f"{carrier.profile.document.name}: {rate.name} would need {rate.mm3_s:.1f} mm3/s, the melt rate of "
                f"{carrier.material.name} is {limit.value:g} mm3/s ({limit.source})",
                "Ask for less flow or less speed.",
            )
    over = [rate for rate in after if rate.mm3_s > limit.value * (1 + 1e-9)]
    if over and carried.changes.planned:
        worst = max(over, key=lambda rate: rate.mm3_s)
        carried.warnings.append(
            f"{worst.name} needs {worst.mm3_s:.1f} mm3/s, beyond the melt rate of {limit.value:g} mm3/s of "
            f"{carrier.material.name}; the settings ask for that themselves"
        )


def _check_speeds(carrier: Carrier, changes: Changes) -> None:
    """Refuse a speed beyond the machine's.

    Raises
    ------
    Refused : naming the key.
    """
    machine = carrier.machine
    if machine is None:
        return
    limit = min(machine.max_speed_mm_s.x, machine.max_speed_mm_s.y)
    for change in changes.planned:
        speed = change.reading.name in BEAD_SPEEDS
        if speed and change.new > change.old and float(change.new) > limit + _LEAST_MM_S:
            raise Refused(
                f"{carrier.profile.document.name}:{change.reading.stated.line}: {shown(change.reading.key)} would be "
                f"{float(change.new):g} mm/s, beyond {limit:g} of machine {machine.name}",
                "Ask for less.",
            )
