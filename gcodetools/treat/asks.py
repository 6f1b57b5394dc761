"""What regions ask of nozzle and fan, and what they are answered once a schedule is made."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from gcodetools.edit.draft import Draft
from gcodetools.edit.sparse import unknown
from gcodetools.gcode.arrays import marked
from gcodetools.physics.visits import Mode
from gcodetools.records import dataclass
from gcodetools.treat.reached import Reach, Schedule
from gcodetools.treat.target import Done, Target

__all__ = ["Ask", "answer", "ask_of", "fast_layers", "held_note", "layer_words"]

F8 = NDArray[np.float64]
I8 = NDArray[np.int64]
Bool = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Ask:
    """What a region wants of nozzle or fan, to be answered once all have asked.

    tool : of the nozzle; -1 for the fan. rows : (k,) that it claimed, ascending. low, high : of what it wants of
    them. wanted : the file's own value -> what is wanted. left_out : (layers,) where it is held back.
    layers : (n,) plate layers it wants it on. taken : whether an earlier region has beads of it. note, why,
    warning : of the answer to come.
    """

    target: Target
    setting: str
    tool: int
    rows: I8
    low: float
    high: float
    wanted: Callable[[F8], F8]
    left_out: Bool
    layers: I8
    taken: bool
    asked: str
    why: str
    warning: bool

    @property
    def mode(self) -> Mode:
        """How it is to be told."""
        setting = getattr(self.target.treatment, self.setting)
        mode: Mode = setting.mode or "auto"
        return mode


def ask_of(
    draft: Draft,
    target: Target,
    setting: str,
    tool: int,
    rows: I8,
    own: F8,
    column: F8,
    wanted: Callable[[F8], F8],
    left_out: Bool,
    told: tuple[str, str, bool],
) -> Ask | None:
    """Claim the `rows` of a region in a column of the draft where nobody has yet; None where none is left to
    ask for. own : (k,) what the file has at them. told : asked, why and whether it is a warning, so far."""
    layer = draft.plate.beads.layer[rows]
    of_region = np.zeros(len(left_out), bool)
    of_region[layer[layer >= 0]] = True
    left_out = left_out & of_region
    here = layer >= 0
    if left_out.any():
        here &= ~left_out[np.maximum(layer, 0)]
    if not here.all():
        rows, layer, own = rows[here], layer[here], own[here]
    if len(rows) == 0:
        return None
    value = wanted(own)
    free = unknown(column, rows)
    column[rows[free]] = value[free]
    return Ask(
        target,
        setting,
        tool,
        rows[free],
        float(np.nanmin(value)),
        float(np.nanmax(value)),
        wanted,
        left_out,
        marked(len(left_out), layer),
        not free.all(),
        *told,
    )


def fast_layers(draft: Draft, target: Target, lasting_s: float = 0.0) -> Bool:
    """A flag a plate layer: too fast for less fan or more heat. None is where the treatment has a rest that can
    stand there, a speed or `force`.

    lasting_s : what follows no faster is left out between fast layers for a shorter time than this, too.
    """
    treatment = target.treatment
    if treatment.speed is not None or treatment.force:
        return np.zeros(len(target.layer_s), bool)
    fast = target.layer_s < target.bounds.material.min_layer_time_s.value
    used = _layers_of(draft, target)
    if treatment.rest is not None:
        from gcodetools.edit.rests import rest_obstacle

        rested = [k for k in used[fast[used]].tolist() if k > 0 and not rest_obstacle(draft, k)]
        fast[rested] = False
    if lasting_s == 0.0 or len(used) == 0 or not fast[used].any():
        return fast
    changes = np.flatnonzero((np.diff(fast[used]) != 0) | (np.diff(used) > 1)) + 1
    for part in np.split(used, changes):
        beside = [k for k in (part[0] - 1, part[-1] + 1) if k in used and fast[k]]
        if not fast[part[0]] and beside and target.layer_s[part].sum() < lasting_s:
            fast[part] = True
    return fast


def _layers_of(draft: Draft, target: Target) -> I8:
    """Plate layers in which a region has pieces, ascending."""
    layer = draft.plate.beads.layer[target.rows]
    return marked(len(draft.plate.layers), layer[layer >= 0])


def held_note(draft: Draft, target: Target, left_out: Bool) -> str:
    """Sentence on the layers of the region that are held back; empty for none."""
    if not left_out.any():
        return ""
    used = _layers_of(draft, target)
    back = used[left_out[used]]
    if len(back) == 0:
        return ""
    shortest = float(target.layer_s[back].min())
    need = target.bounds.material.min_layer_time_s.value
    return (
        f"held back on {len(back)} of {len(used)} layers: layer {shortest:.1f} s, {need:g} s needed "
        "(modelled; add `rest`, `speed` or `force`)"
    )


def layer_words(spans: list[tuple[int, int]]) -> str:
    """Plate layers (index of the first and the last of each span), counted from 1."""
    names = [f"{a + 1}" if a == b else f"{a + 1}-{b + 1}" for a, b in spans]
    shown = ", ".join(names[:6]) + (f" and {len(names) - 6} more runs" if len(names) > 6 else "")
    one = len(spans) == 1 and spans[0][0] == spans[0][1]
    return f"plate layer{'' if one else 's'} {shown}"


def answer(ask: Ask, schedule: Schedule) -> Done:
    """What became of an ask."""
    target = ask.target
    reach = schedule.of(ask.setting, ask.target.name, ask.tool)
    if reach is None:
        why = ask.why or (
            "the file's own is there already, or an earlier region holds these beads"
            if ask.taken or ask.setting == "fan"
            else "the file's own is there already"
        )
        return target.answer(ask.setting, ask.asked, "nothing", why)
    whole = schedule.whole(ask.setting, ask.tool, target.hit.part, target.hit.region) or reach
    at = _range(ask.setting, reach.low, reach.high)
    reached = _range(ask.setting, whole.reached_low, whole.reached_high)
    done = f"{at} over {layer_words(reach.layers)}, reached {reached} (modelled)"
    if (pauses := schedule.paused.get((ask.setting, ask.tool))) is not None:
        done += f", after {pauses[0]} {'pause' if pauses[0] == 1 else 'pauses'} of {pauses[1]:.0f} s in all"
    missed, outside = _missed(ask, whole)
    other = f"told as an earlier region asks: {whole.mode}" if ask.mode not in (whole.mode, "auto") else ""
    if whole.mode == "pause" and pauses is None:
        other = (
            f"no pause{': ' + schedule.no_pause if schedule.no_pause else ' was needed'}; told ahead instead"
        )
    why = "; ".join(part for part in (other, missed, ask.why) if part)
    return target.answer(ask.setting, ask.asked, done, why, warning=ask.warning or outside)


def _range(setting: str, low: float, high: float) -> str:
    """Two values as one text."""
    a, b = (f"{v:.0%}" if setting == "fan" else f"{round(v, 1):g}" for v in (low, high))
    unit = "" if setting == "fan" else " C"
    return f"{a}{unit}" if a == b else f"{a} to {b}{unit}"


def _missed(ask: Ask, reach: Reach) -> tuple[str, bool]:
    """Sentence on first beads that do not get what was asked, empty where all do; and whether the mean does not
    either. At most so much fan is what a `cap` asks: less is no miss."""
    capped = ask.setting == "fan" and getattr(ask.target.treatment.fan, "cap", None) is not None
    if reach.missed == 0.0 or (capped and reach.missed < 0):
        return "", False
    fan = ask.setting == "fan"
    off = f"{abs(reach.missed):.0%}" if fan else f"{abs(reach.missed):.1f} C"
    side = "under" if reach.missed < 0 else "over"
    mean = reach.reached[1][1]
    outside = max(reach.low - mean, mean - reach.high) > (0.05 if fan else 1.0)
    return f"first beads are up to {off} {side} that: no command can stand earlier", outside
