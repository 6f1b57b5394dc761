"""A treatment's equivalent for the whole part, planned as changes of settings; and what of it settings can't hold.

Limits are those of treatments (`treat.limits`, `treat.nozzle`): beyond them nothing is planned, past the measured
peak of the nozzle it is done only up to there.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import Literal

from gcodetools.errors import Refused
from gcodetools.kit.settings import Accel, Fan, Fit, Flow, Nozzle, Perimeters, Rest, Speed
from gcodetools.slicer_settings.beads import perimeters_for, rates, wall_mm
from gcodetools.slicer_settings.carrier import (
    Carried,
    Carrier,
    Outcome,
    check_melt_rate,
    check_speeds,
    nozzle_bounds,
    planned_rates,
)
from gcodetools.slicer_settings.changing import Changes, Toward
from gcodetools.slicer_settings.document import shown, shown_section
from gcodetools.slicer_settings.names import ACCELS, BEAD_SPEEDS
from gcodetools.slicer_settings.readings import Profile, Reading

__all__ = ["WHOLE_PART", "carry_all"]

Wish = Callable[[Fraction], Fraction]
WHOLE_PART = (
    "settings hold for the whole part, and for each part printed with them; what that costs in minutes and grams is "
    "what treating regions avoids: slice both and hold them against each other with `beadwright compare`"
)
_FANS = ("fan_min", "fan_max", "outer_fan", "top_fan", "loops_fan", "inside_fan", "fast_fan")
_BRIDGE_FANS = ("bridge_fan", "overhang_fan")
# Without one of these the speed of most beads is not told.
_MAIN_SPEEDS = (
    "speed_mm_s", "speed_walls_mm_s", "speed_outer_mm_s", "speed_perimeter_mm_s", "speed_infill_mm_s",
    "speed_solid_mm_s",
)  # fmt: skip
_NAMED = 4  # keys that a sentence lists
_WHOLE = 100  # percent


def carry_all(carrier: Carrier) -> Carried:
    """Plan all that a treatment asks.

    Raises
    ------
    Refused : beyond a limit of material or machine.
    """
    carried = Carried(Changes(carrier.profile, carrier.tool))
    tools = range(carrier.profile.tools) if carrier.tool is None else (carrier.tool,)
    before = {tool: list(planned_rates(carrier, carried.changes, tool)) for tool in tools}
    for key in carrier.treatment.settings:
        work = _Work(carrier, carried.changes, key, getattr(carrier.treatment, key))
        carried.outcomes.append(work.done())
    for tool in tools:
        check_melt_rate(carrier, tool, before[tool], planned_rates(carrier, carried.changes, tool), carried)
    check_speeds(carrier, carried.changes)
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
            if not self.has_plastic(reading):
                continue
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
        said: dict[str, set[tuple[object, ...]]] = {}
        for r in valued:
            if r.stated.tool is None:
                said.setdefault(r.stated.section, set()).add((r.tool, r.value))
        if len({frozenset(one) for one in said.values()}) > 1:
            told = ", ".join(f"[{shown_section(one)}]" if one else "the top" for one in sorted(said)[:6])
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

    def has_plastic(self, reading: Reading) -> bool:
        """Whether what its plastic per length rests on can be changed with it; if not, it is said."""
        beside = self.beside(reading)
        if beside is None or self.plastic(reading, beside):
            return True
        self.lacking(
            f"{shown(reading.key)} is left: the plastic per length is {shown(beside)} over it, which is not told as a "
            "number: set both by hand"
        )
        return False

    def beside(self, reading: Reading) -> str | None:
        key = self.carrier.profile.table.keys.get(reading.key)
        return key.beside if key is not None else None

    def plastic(self, reading: Reading, beside: str) -> list[Reading]:
        """What a key beside a reading's says for the same section and tool."""
        profile = self.carrier.profile
        found = profile.of(profile.table.keys[beside].name, reading.tool)
        return [
            r for r in found
            if r.key == beside and r.number is not None and r.stated.section == reading.stated.section
        ]  # fmt: skip

    def keep_plastic(self) -> None:
        """Change what stands beside the speeds alike, so that the plastic per length stays."""
        for change in self.changes.planned:
            beside, number = self.beside(change.reading), change.reading.number
            if beside is None or number is None or not number.value:
                continue
            for other in self.plastic(change.reading, beside):
                assert isinstance(other.value, Fraction)
                self.changes.want(other, other.value * Fraction(change.text) / number.value)
                self.keys.append(other.key)
                self.why.append(f"{shown(other.key)} goes with it, so that the plastic per length stays")

    def unstated(self, names: tuple[str, ...]) -> None:
        """Say which of several names the file leaves to the slicer, where it states others of them."""
        profile = self.carrier.profile
        spelled = [profile.table.spelled(name) for name in names if not profile.of(name)]
        absent = [keys[0] for keys in spelled if keys]
        if absent and self.reached:
            more = f" and {len(absent) - _NAMED} more" if len(absent) > _NAMED else ""
            self.lacking(
                f"the file does not state {', '.join(absent[:_NAMED])}{more}: what the slicer has for them stays"
            )

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
        self.unstated(names)
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
        self.keep_plastic()
        opened = [r for name in BEAD_SPEEDS for r in self.changes.targets(name) if r.state == "open"]
        for reading in opened:
            self.lacking(f"{shown(reading.key)} = {reading.text} leaves it to the slicer: set it by hand")
        if not any(self.changes.targets(name) for name in BEAD_SPEEDS):
            self.none_stated("speed_outer_mm_s")
        elif self.reached and not any(self.carrier.profile.table.spelled(name) for name in _MAIN_SPEEDS):
            self.lacking(
                f"only {', '.join(dict.fromkeys(map(shown, self.keys)))}: no key for the speed of perimeters and fill "
                f"is known in convention {self.carrier.profile.table.letter}: set it by hand"
            )
        self.unstated(BEAD_SPEEDS)
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
        tools = range(profile.tools) if tool is None else (tool,)
        if self.reached and any(rate.capped for one in tools for rate in rates(_look(profile, one))):
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
        # What is left open falls back to the common one; without that to the firmware's.
        opened = [r for name in ACCELS for r in self.changes.targets(name) if r.state == "open"]
        common = self.changes.targets("accel_mm_s2")
        if self.reached and opened and not any(r.state == "value" for r in common):
            told = ", ".join(dict.fromkeys(f"{shown(r.key)} = {r.text}" for r in opened))
            self.lacking(f"{told} is left open: there the firmware's own may hold; set it by hand")
        self.unstated(ACCELS)
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
        pattern = self.changes.targets("infill_pattern")
        if pattern and self.reached:
            told = f"{shown(pattern[0].key)} = {pattern[0].text}"
            self.why.append(f"{told} stays: where it can't be laid solid, choose plain lines")
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


def _look(profile: Profile, tool: int | None) -> Callable[[str], float | None]:
    def look(name: str) -> float | None:
        value = profile.number(name, tool)
        return None if value is None else float(value)

    return look
