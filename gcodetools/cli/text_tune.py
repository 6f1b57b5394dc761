"""The record of `tune` as people read it."""

from __future__ import annotations

from typing import Any

from gcodetools.cli.layout import Paper, clean, figures
from gcodetools.jobs.records import counted

__all__ = ["best_words", "show_tune"]

Record = dict[str, Any]

_NAMES = {
    "nozzle_c": ("nozzle", " C"), "fan_percent": ("fan", " %"), "speed_percent": ("speed", " %"),
    "flow_percent": ("flow", " %"), "perimeters_added": ("perimeters", " more"),
}  # fmt: skip


def show_tune(record: Record, paper: Paper) -> None:
    """What is best, how sure, what to print next; then effects, steps, and what can't be told."""
    paper.title(", ".join(sheet["file"] for sheet in record["sheets"]))
    if any(sheet.get("invented") for sheet in record["sheets"]):
        paper.line("The sheet says that its numbers are invented.")
    _answers(record, paper)
    if "effects" in record:
        _effects(record, paper)
        _steps(record, paper)
    if "clicks" in record:
        _clicks(record, paper)
    doubts = record.get("cannot_tell", [])
    if doubts:
        paper.blank()
        paper.title("What the data can't tell")
        for text in doubts:
            paper.line(f"- {text}", 2, 2)
    _written(record, paper)
    paper.blank()
    for caution in record["cautions"]:
        paper.line(caution, hang=2)


def _answers(record: Record, paper: Paper) -> None:
    """The first screen: best, how sure, next."""
    facts: list[tuple[str, str]] = []
    if "best" in record:
        facts.append(("best", best_words(record)))
    facts += [(peak["setting"], _upper(peak["sentence"])) for peak in record.get("peaks", [])]
    if "next" in record:
        facts.append(("next", _upper(record["next"]["sentence"])))
    facts.append(("read", _read(record)))
    facts += [("look at", text) for text in record.get("odd", [])]
    if "fit" in record:
        facts.append(("doubt", _doubt(record)))
    paper.facts(facts)
    if "line" in record.get("next", {}):
        paper.blank()
        paper.line("To print next:", 2)
        _command(record["next"]["line"], paper)


def _command(line: str, paper: Paper) -> None:
    """A command to paste, broken before options as a shell takes it."""
    first, *options = line.split(" --")
    lines = [f"    {clean(first)}"]
    for option in options:
        if len(lines[-1]) + len(option) + 5 > paper.width:
            lines[-1] += " \\"
            lines.append(f"      --{clean(option)}")
        else:
            lines[-1] += f" --{clean(option)}"
    paper.lines += lines


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def best_words(record: Record) -> str:
    """The best setting, what it bears, and how much more that is than now."""
    best, unit = record["best"], record["unit"]
    reached = best.get("by_reached", [])
    words = ", ".join(_setting(key, value, reached) for key, value in best["settings"].items())
    if "ask_for" in best:
        told = ", ".join(_setting(key, value, []) for key, value in best["ask_for"].items())
        words += f" (ask for {told})"
    text = f"{words}: {_span(best['mean'])} {unit}"
    if best["mean"].get("at_least"):
        text += ", for nothing broke there"
    if "gain" in best:
        over = ", ".join(
            _setting(key, value, [])
            for key, value in best["over"].items()
            if value != best["settings"].get(key)
        )
        text += f", {_times(best['gain'])} what it is at {over}"
    kept = [f"{one['setting']}: {one['why']}" for one in best.get("kept", [])]
    return text + (f" ({'; '.join(kept)})" if kept else "")


def _setting(key: str, value: float, reached: list[str]) -> str:
    name, unit = _NAMES[key]
    shown = f"{value:.1f}" if key == "flow_percent" else f"{value:.0f}"
    return f"{name} {shown}{unit}" + (" reached" if name in reached else "")


def _span(estimate: Record) -> str:
    if estimate.get("at_least"):
        return f"at least {figures(estimate['low'], 3)}"
    low, best, high = (figures(estimate[key], 3) for key in ("low", "best", "high"))
    return f"{best} ({low} to {high})"


def _times(estimate: Record) -> str:
    low, best, high = (f"{estimate[key]:.2f}" for key in ("low", "best", "high"))
    return f"{best} ({low} to {high}) times"


def _read(record: Record) -> str:
    of = record["specimens"]
    words = [counted(of["tested"], "specimen")]
    if of["held_without_breaking"]:
        words.append(f"{of['held_without_breaking']} of them held without breaking")
    if of["broke_unread"]:
        words.append(f"{of['broke_unread']} broke before anything could be read")
    if of["not_tested"]:
        words.append(f"{of['not_tested']} not tested")
    text = f"{record['answer']} of {', '.join(words)}; {record['material']}"
    return "; ".join([text, *record.get("taken", [])])


def _doubt(record: Record) -> str:
    scatter = record["fit"]["scatter"]
    ends = f" ({100 * scatter['low']:.0f} to {100 * scatter['high']:.0f})" if "low" in scatter else ""
    stated = f", {100 * scatter['stated']:.3g} % stated" if "stated" in scatter else ""
    return (
        f"brackets hold 9 of 10; specimens alike differ by {100 * scatter['best']:.0f} %{ends}{stated}; "
        f"{counted(record['fit']['degrees'], 'degree')} of freedom, {record['fit']['method']}"
    )


def _effects(record: Record, paper: Paper) -> None:
    paper.blank()
    paper.title("What each setting does, the others in the middle")
    rows = [("setting", "over what was printed", "by chance", "")]
    for one in record["effects"]:
        chance = one["chance"]
        shown = "under 0.001" if chance < 0.001 else f"{chance:.3f}"
        rows.append((one["setting"], one["sentence"], shown, "shown" if one["shown"] else "not shown"))
    paper.table(rows, indent=2)
    others = {name: weight for name, weight in record["fit"]["weights"].items() if name != "plain"}
    if others and paper.verbose:
        told = ", ".join(f"{name} {weight:.2f}" for name, weight in others.items())
        paper.line(
            f"Averaged over, by weight: plain {record['fit']['weights'].get('plain', 0):.2f}, {told}.", 2, 2
        )


def _steps(record: Record, paper: Paper) -> None:
    paper.blank()
    paper.title(f"Each step: what was read, and the mean of many by the fit, {record['unit']}")
    heads = tuple(_NAMES[key][0] for key in record["steps"][0]["settings"])
    rows: list[tuple[str, ...]] = [(*heads, "specimens", "read", "mean")]
    for one in record["steps"]:
        settings = tuple(f"{value:g}{_NAMES[key][1]}" for key, value in one["settings"].items())
        held = one.get("held_without_breaking")
        read = figures(one["read"], 3) if "read" in one else f"{held} held" if held else "-"
        rows.append((*settings, str(one["specimens"]), read, _span(one["mean"])))
    paper.table(rows, indent=2)


def _clicks(record: Record, paper: Paper) -> None:
    for one in record["clicks"]:
        paper.blank()
        paper.line(one["sentence"][:1].upper() + one["sentence"][1:], hang=2)
        rows = [(one["setting"], "specimens", "mean mark")]
        rows += [
            (f"{level['at']:g}", str(level["specimens"]), f"{level['mean']:.2f}") for level in one["levels"]
        ]
        paper.table(rows, right=(0, 1, 2), indent=2)


def _written(record: Record, paper: Paper) -> None:
    if "material_file" in record:
        of = record["material_file"]
        paper.blank()
        paper.title(f"Material {of['name']}: {of['out']}")
        for text in of["carried"]:
            paper.line(f"- carried: {text}", 2, 2)
        for text in of["left"]:
            paper.line(f"- not carried: {text}", 2, 2)
        paper.line(f"Name it with --material {of['out']}: estimate and advise then go by it.", 2, 2)
    if "plot" in record:
        paper.blank()
        paper.line(f"plot: {record['plot']}")
