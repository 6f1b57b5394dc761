"""The build sheet of a ladder: one HTML file that prints, with the plate from above and room to write in.

No script, nothing fetched; whatever comes from files is escaped.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Any

from gcodetools.kit.drawing import plain_text
from gcodetools.report.ladder_svg import Drawn, Footprint, bands_svg, plate_svg
from gcodetools.trials.factors import value_words
from gcodetools.trials.sheet_csv import FACTOR_COLUMNS

__all__ = ["Drawn", "Footprint", "doubt_words", "sheet_html"]

Record = dict[str, Any]

_NAMES = {column: name for name, column in FACTOR_COLUMNS.items()}
_HEADS = {
    "nozzle": "nozzle<br>C",
    "fan": "fan<br>%",
    "speed": "speed<br>% of file",
    "flow": "flow<br>% of file",
    "perimeters": "perimeters<br>added",
}
_EXTRA = {
    "speed": ("feed<br>mm/s", "feed_mm_s", ".1f"),
    "flow": ("plastic<br>mm³/mm", "mm3_per_mm", ".4f"),
    "perimeters": ("side<br>by side", "perimeters", ".1f"),
}
_LASTING = {"nozzle": ("nozzle<br>C", "nozzle_c", ".1f"), "fan": ("fan<br>%", "fan_percent", ".0f")}
_STYLE = """\
:root { color-scheme: light dark; --paper: #FAF8F4; --ink: #23282D; --grey: #666D75; --line: #C9C6BF;
  --accent: #B4552D;
  --box: #FFFFFF; }
@media (prefers-color-scheme: dark) { :root { --paper: #1B1E22; --ink: #E8E4DC; --grey: #A0A7AE; --line:
  #454B52;
  --accent: #DE8A5E; --box: #23272C; } }
@media print { :root { color-scheme: light; --paper: #FFFFFF; --ink: #000000; --grey: #4A5056; --line:
  #A9A69F; --accent: #8F3F1C;
  --box: #FFFFFF; } }
@page { size: A4; margin: 11mm 12mm; }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 62rem; padding: 1.2rem; background: var(--paper); color: var(--ink);
  font: 14px/1.4 system-ui, sans-serif; font-variant-numeric: tabular-nums; }
h1 { font-size: 20px; margin: 0 0 .2rem; overflow-wrap: anywhere; }
h2 { font-size: 14px; margin: 1.1rem 0 .3rem; }
p, dl, ol, ul { margin: 0 0 .4rem; }
ul, ol { padding-left: 1.2rem; }
.quiet { color: var(--grey); }
.top { display: flex; flex-wrap: wrap; gap: 1rem 1.6rem; align-items: flex-start; margin-top: .8rem; }
.picture { flex: 0 1 auto; display: flex; gap: .8rem; align-items: flex-start; max-width: 100%; }
.picture svg { display: block; max-width: 100%; height: auto; }
.facts { flex: 1 1 17rem; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .15rem .8rem; }
dt { color: var(--grey); } dd { margin: 0; overflow-wrap: anywhere; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; font-size: 13px; }
th { font-weight: 600; text-align: right; vertical-align: bottom; padding: .25rem .45rem; border-bottom:
  1.5px solid var(--ink);
  font-size: 12px; line-height: 1.2; }
th.group { text-align: center; border-bottom: 1px solid var(--line); color: var(--grey); font-weight: 400; }
td { text-align: right; padding: .3rem .45rem; border-bottom: 1px solid var(--line); white-space: nowrap; }
td.no { font-weight: 700; font-size: 15px; }
th.word, td.word { text-align: left; }
td.box { background: var(--box); border: 1px solid var(--line); min-width: 3.6rem; }
td.notes { min-width: 8rem; }
.asked { color: var(--accent); font-weight: 600; }
table.many { font-size: 11px; } table.many td, table.many th { padding-left: .15rem; padding-right: .15rem; }
svg .ink { fill: var(--ink); } svg .quiet { fill: var(--grey); } svg .edge { stroke: var(--ink); } svg .line
  { stroke: var(--line); }
svg .paper { fill: var(--box); } svg .bed { fill: none; stroke: var(--grey); } svg .shade { fill: var(--ink); }
svg .away { fill: none; stroke: var(--grey); } svg .badge { fill: var(--box); stroke: var(--ink); }
@media print { body { padding: 0; max-width: none; font-size: 9.5pt; } table { font-size: 8.5pt; } th {
  font-size: 7.5pt; }
  h1 { font-size: 14pt; } h2 { font-size: 10pt; margin-top: .7rem; } tr { break-inside: avoid; } thead {
  display: table-header-group; }
  .wide { overflow: visible; } .cautions, .how { break-inside: avoid; } td.box { min-width: 11mm; } td.notes
  { min-width: 24mm; }
  .facts, .how, .cautions, .quiet { font-size: 8.5pt; line-height: 1.3; }
  td, th { padding: .2rem .22rem; } .top { flex-wrap: nowrap; gap: 6mm; } .picture { flex: 0 0 105mm; } .facts {
  flex: 1 1 auto; } }
"""


def sheet_html(record: Record, drawn: Drawn, table_name: str) -> str:
    """The whole page.

    Parameters
    ----------
    record : of `ladder`, with `out`. table_name : file name of the table to fill in.
    """
    title = f"Ladder of {record['part']}/{record['region']}"
    pictures = plate_svg(drawn, _shades(record), record["factors"][0]["name"]) + (
        bands_svg(record) if record.get("bands") else ""
    )
    return "\n".join(
        [
            "<!doctype html>",
            '<html lang="en"><head><meta charset="utf-8">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">",
            f"<title>{_text(title)}</title>",
            f"<style>{_STYLE}</style></head><body>",
            f"<h1>{_text(title)}</h1>",
            f'<p class="quiet">{_text(_line(record))}</p>',
            f'<div class="top"><div class="picture">{pictures}</div><div class="facts">{_facts(record)}</div></div>',
            "<h2>Specimens</h2>",
            f'<div class="wide">{_table(record)}</div>',
            _how(record, table_name),
            "</body></html>",
            "",
        ]
    )


def doubt_words(within: Record) -> str:
    """How far what specimens got may be off, in words. within : the record's `got_within`."""
    known = (
        (name, key, unit) for name, key, unit in (("nozzle", "nozzle_c", " C"), ("fan", "fan_percent", "%"))
    )
    words = [
        f"{name} off by up to {max(within[key], 0.1):.1g}{unit}"
        for name, key, unit in known
        if within.get(key)
    ]
    low, high = within["time_factor"]
    words.append(f"times {low:.2f} to {high:.2f} of what is told")
    return f"on a slow or a fast machine of the profile {', '.join(words)}; what its sensors are off comes on top"


def _text(words: object) -> str:
    return escape(plain_text(str(words)))


def _line(record: Record) -> str:
    return f"{record['out']}, from {record['file']}; {record['printed']}; {record['material']}"


def _shades(record: Record) -> dict[int, float]:
    """How dark each specimen is drawn: by rank of the first factor's value, 0 to 1."""
    factor = record["factors"][0]
    rank = {value: k / max(len(factor["values"]) - 1, 1) for k, value in enumerate(factor["values"])}
    return {one["specimen"]: rank[one["asked"][factor["column"]]] for one in record["specimens"]}


def _facts(record: Record) -> str:
    design = record["design"]
    varied = "; ".join(
        f"{f['name']} {', '.join(value_words(f['name'], value) for value in f['values'])}"
        for f in record["factors"]
    )
    held = ", ".join(
        f"{_NAMES[column]} {value_words(_NAMES[column], value)}" for column, value in record["held"].items()
    )
    kinds = {
        "grid": "full grid",
        "fraction": "two-level fraction",
        "subset": "subset of the grid",
        "curve": "edge middles and centre",
    }
    steps = f"{kinds[design['kind']]}, {design['steps']} steps"
    if design["steps"] < design["of_all"]:
        steps += f" of {design['of_all']}"
    if design["repeats"] > 1:
        steps += f", each {design['repeats']} times"
    by = {
        "instance": "by instance",
        "height": "by height in each coupon",
        "both": "heat by height, the rest by instance",
    }
    facts = [
        ("varied", varied),
        ("held", held or "nothing; all else as sliced"),
        ("steps", f"{steps}; {by[record['by']]}"),
    ]
    facts.append(("placed", _placed(record)))
    if not record.get("bands"):
        first, last = record["specimens"][0]["layers"]
        facts.append(("treated", f"layers {first}-{last} of each"))
    own = record["file_has"]
    had = [
        f"{name} {value_words(name, own[key])}"
        for name, key in (("nozzle", "nozzle_c"), ("fan", "fan_percent"))
        if key in own
    ]
    if had:
        facts.append(("as sliced", ", ".join(had)))
    if record["as_sliced"]:
        numbers = ", ".join(f"#{name.rpartition('#')[2]}" for name in record["as_sliced"])
        facts.append(("left alone", f"{numbers}: as sliced, drawn dashed"))
    if (machine := record.get("machine")) is not None:
        facts.append(("machine", machine))
    facts.append(("treated file", f"sha256 {record['digest'][:16]}…"))
    pairs = "".join(f"<dt>{_text(name)}</dt><dd>{_text(value)}</dd>" for name, value in facts)
    notes = "".join(f"<li>{_text(note[:1].upper() + note[1:])}.</li>" for note in record["notes"])
    return f"<dl>{pairs}</dl>" + (f"<ul>{notes}</ul>" if notes else "")


def _placed(record: Record) -> str:
    if record["order"] != "random":
        return f"{record['order']}, not by chance"
    greatest, between = record["placing"]["greatest_correlation"], record["placing"].get("between")
    words = f"by chance, seed {record['seed']}"
    if between:
        words += f"; greatest correlation {greatest:.2f} ({between[1]} with {between[0]})"
    return words + ("" if between else "; no factor goes with the place")


def _table(record: Record) -> str:
    varied = [factor["name"] for factor in record["factors"]]
    got = _got_columns(record, varied)
    heads = [f"<th>{_HEADS[name]}</th>" for name in varied]
    heads += [f"<th>{head}</th>" for head, _, _ in got]
    first = (
        f'<tr><th class="group" colspan="3"></th><th class="group" colspan="{len(varied)}">asked</th>'
        f'<th class="group" colspan="{len(got)}">got (modelled)</th><th class="group" colspan="4">to fill in</th></tr>'
    )
    second = (
        '<tr><th>no.</th><th>step</th><th class="word">where</th>'
        + "".join(heads)
        + '<th>force<br>N</th><th>cycles</th><th>click<br>1 to 5</th><th class="word">notes</th></tr>'
    )
    rows = [_row(one, varied, got, bool(record.get("bands"))) for one in record["specimens"]]
    many = ' class="many"' if len(varied) + len(got) > 8 else ""
    return f"<table{many}><thead>{first}{second}</thead><tbody>{''.join(rows)}</tbody></table>"


def _got_columns(record: Record, varied: Sequence[str]) -> list[tuple[str, str, str]]:
    """Head, key and format of what is shown of what specimens got: what they differ in, and what a test needs."""
    columns = []
    for name, (head, key, form) in _LASTING.items():
        values = [one["got"].get(key) for one in record["specimens"]]
        if name in varied or _differ(values):
            columns.append((head, key, form))
    columns.append(("layer<br>s", "layer_time_s", ".1f"))
    columns += [_EXTRA[name] for name in varied if name in _EXTRA]
    columns.append(("section<br>mm²", "section_mm2", ".1f"))
    return [column for column in columns if any(column[1] in one["got"] for one in record["specimens"])]


def _differ(values: Sequence[float | None]) -> bool:
    known = [value for value in values if value is not None]
    return bool(known) and max(known) - min(known) > 1.0


def _row(one: Record, varied: Sequence[str], got: Sequence[tuple[str, str, str]], bands: bool) -> str:
    where = f"#{one['instance']}"
    if bands:
        where += f", layers {one['layers'][0]}-{one['layers'][1]}"
    asked = "".join(f'<td class="asked">{one["asked"][FACTOR_COLUMNS[name]]:g}</td>' for name in varied)
    told = "".join(
        f"<td>{format(one['got'][key], form) if key in one['got'] else ''}</td>" for _, key, form in got
    )
    boxes = '<td class="box"></td>' * 3 + '<td class="box notes"></td>'
    return (
        f'<tr><td class="no">{one["specimen"]}</td><td>{one["step"]}</td><td class="word">{_text(where)}</td>'
        f"{asked}{told}{boxes}</tr>"
    )


def _how(record: Record, table_name: str) -> str:
    order = ", ".join(map(str, record["test_order"]))
    steps = [
        "Mark each specimen with its number as it comes off the plate.",
        f"Test in this order, so that nothing that changes meanwhile goes with a step: {order}.",
        f"Write here, or into {table_name}: force at the break in N; cycles to the break; click, as it feels, "
        "1 (dull) to 5 (crisp). >120 means that it held 120 without breaking; empty means not tested.",
    ]
    if record.get("bands"):
        steps.insert(1, "Cut between the bands, in the hatched layers: they belong to no specimen.")
    items = "".join(f"<li>{_text(step)}</li>" for step in steps)
    cautions = "".join(f"<li>{_text(item)}</li>" for item in record["cautions"])
    words = (
        f"Nozzle, fan and layer times are modelled, on the mean over a specimen's beads: {record['got_from']}; "
        f"{doubt_words(record['got_within'])}."
    )
    source = f'<p class="quiet">{_text(words)}</p>'
    return (
        f'<section class="how"><h2>Testing</h2><ol>{items}</ol></section>'
        f'<section class="cautions"><h2>Take care</h2><ul>{cautions}</ul></section>{source}'
    )
