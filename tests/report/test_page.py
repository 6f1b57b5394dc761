"""The page as one file: nothing in it fetches, runs or restyles but its own script and style.

What the tests hold it to is outside the project: the HTML as the standard library's parser reads it, digests as the
content security policy (W3C, CSP Level 3, 8.2) wants them, contrast as the accessibility guidelines (W3C, WCAG 2.1,
1.4.3 and 1.4.11) count it, the scale of colours as matplotlib has it.
"""

from __future__ import annotations

import base64
import hashlib
import json
import math
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

import gcodetools.report.page as made
from gcodetools.report.page import assemble

ASSETS = Path(made.__file__).with_name("page")
HOSTILE = "</script><script>alert(1)</script><!-- & \u2028 \u2029 <img src=x onerror=alert(2)> {{script}}"
DATA: dict[str, Any] = {
    "schema": "beadwright.report/1",
    "file": f"/prints/{HOSTILE.replace('/', '|')}",
    "regions": [{"key": HOSTILE, HOSTILE: [1.5, None, True]}],
    "sides": [],
}
WHERE_TESTS_POINT = (
    "verdict", "costs", "watch", "strip", "layer", "quantity", "side", "readout", "instance", "draw", "traces",
    "minutes", "notes",
)  # fmt: skip
READABLE, SEEN = 4.5, 3.0


class Parsed(HTMLParser):
    """Elements with their attributes, and the text of scripts, styles and the title."""

    def __init__(self, page: bytes) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.texts: dict[str, list[str]] = {"script": [], "style": [], "title": []}
        self._open: str | None = None
        self.feed(page.decode())
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag in self.texts:
            self._open = tag
            self.texts[tag].append("")

    def handle_endtag(self, tag: str) -> None:
        if tag == self._open:
            self._open = None

    def handle_data(self, data: str) -> None:
        if self._open:
            self.texts[self._open][-1] += data

    def with_tag(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]


@pytest.fixture(scope="module")
def page() -> bytes:
    return assemble(DATA)


@pytest.fixture(scope="module")
def parsed(page: bytes) -> Parsed:
    return Parsed(page)


def policy(parsed: Parsed) -> dict[str, str]:
    (meta,) = [m for m in parsed.with_tag("meta") if m.get("http-equiv") == "Content-Security-Policy"]
    return dict(rule.strip().split(" ", 1) for rule in (meta["content"] or "").split(";"))


def test_data_come_back_as_they_were(parsed: Parsed) -> None:
    kinds = [attributes.get("type") for attributes in parsed.with_tag("script")]
    assert kinds == ["application/json", None]
    assert json.loads(parsed.texts["script"][0]) == DATA


def test_nothing_hostile_stands_in_the_file(page: bytes, parsed: Parsed) -> None:
    assert b"alert(1)</script>" not in page
    assert b"<img" not in page
    assert "\u2028" not in parsed.texts["script"][0]
    assert parsed.texts["title"] == [HOSTILE.replace("/", "|")]


def test_a_name_that_is_no_text_can_be_written(tmp_path: Path) -> None:
    name = b"plate-\xff.gcode".decode("utf-8", "surrogateescape")
    page = Parsed(assemble({"file": name, "sides": []}))
    assert json.loads(page.texts["script"][0])["file"] == name


def test_policy_lets_through_this_script_and_this_style_only(parsed: Parsed) -> None:
    def digest(text: str) -> str:
        return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"

    (style,) = parsed.texts["style"]
    assert policy(parsed) == {
        "default-src": "'none'",
        "script-src": digest(parsed.texts["script"][1]),
        "style-src": digest(style),
        "base-uri": "'none'",
        "form-action": "'none'",
    }


def test_policy_stands_before_what_it_rules(page: bytes) -> None:
    first = min(page.index(tag) for tag in (b"<style", b"<script", b"<title"))
    assert page.index(b"Content-Security-Policy") < first


def test_page_names_no_address_and_asks_for_nothing(parsed: Parsed) -> None:
    for _, attributes in parsed.elements:
        assert not {"src", "srcset", "action", "style", "data", "poster", "formaction"} & set(attributes)
        assert not [name for name in attributes if name.startswith("on")]
        assert (attributes.get("href") or "#").startswith("#")
    code = parsed.texts["script"][1]
    assert re.findall(r"https?://[^\s\"')]+", code) == ["http://www.w3.org/2000/svg"]
    asks = r"\b(?:fetch|XMLHttpRequest|WebSocket|EventSource|sendBeacon|importScripts|import|eval|Function|Worker)\s*\("
    assert not re.search(asks, code)
    assert not re.search(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|localStorage|cookie", code)
    assert not re.search(r"url\(|@import|@font-face|expression", parsed.texts["style"][0])


def test_the_same_data_give_the_same_bytes(page: bytes) -> None:
    assert assemble(json.loads(json.dumps(DATA))) == page


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_a_number_that_json_does_not_know_is_refused(value: float) -> None:
    with pytest.raises(ValueError, match="JSON"):
        assemble({"file": "plate.gcode", "regions": [value]})


def test_every_slot_is_filled_and_every_script_used(page: bytes, parsed: Parsed) -> None:
    outside = re.sub(rb"<script.*?</script>", b"", page, flags=re.S)
    assert re.findall(rb"\{\{\w+\}\}", outside) == [b"{{script}}"]  # that of the hostile title
    code = parsed.texts["script"][1]
    scripts = sorted(ASSETS.glob("*.js"))
    assert len(scripts) > 1
    for script in scripts:
        assert script.read_text("utf-8") in code


def test_places_that_others_rely_on_are_there_once(parsed: Parsed) -> None:
    ids = [attributes["id"] for _, attributes in parsed.elements if "id" in attributes]
    assert len(ids) == len(set(ids))
    assert set(WHERE_TESTS_POINT) <= set(ids)
    code = parsed.texts["script"][1]
    assert set(re.findall(r'byId\("([\w-]+)"\)', code)) <= {*ids, *re.findall(r'\bid: "([\w-]+)"', code)}


def test_names_of_controls_are_told_to_who_cannot_see_them(parsed: Parsed) -> None:
    (strip,) = [attributes for _, attributes in parsed.elements if attributes.get("id") == "strip"]
    assert (strip["role"], strip["tabindex"], strip["aria-label"]) == ("slider", "0", "Layer")
    assert [html["lang"] for html in parsed.with_tag("html")] == ["en"]
    known = {attributes.get("id") for _, attributes in parsed.elements}
    for _, attributes in parsed.elements:
        if "aria-labelledby" in attributes:
            assert attributes["aria-labelledby"] in known


def palettes() -> dict[str, dict[str, str]]:
    """Colours on light paper, on dark and in print; what a later one does not name holds on."""
    style = (ASSETS / "page.css").read_text("utf-8")
    found = {}
    base: dict[str, str] = {}
    for name, start in [
        ("light", ":root {"),
        ("dark", "(prefers-color-scheme: dark)"),
        ("print", "@media print"),
    ]:
        block = style[style.index(start) :]
        block = block[block.index("--paper") : block.index("}")]
        own = dict(re.findall(r"--([\w-]+): (#[0-9A-Fa-f]{6})\b", block))
        assert {"paper", "ink", "soft", "accent", "wash"} <= set(own)
        base = base or own
        found[name] = base | own
    return found


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.1)."""
    channels = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a: str, b: str) -> float:
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_of_black_on_white_is_21() -> None:
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)


@pytest.mark.parametrize("look", ["light", "dark", "print"])
def test_text_can_be_read(look: str) -> None:
    colours = palettes()[look]
    for text in ("ink", "soft", "accent"):
        assert contrast(colours[text], colours["paper"]) >= READABLE, text
    assert contrast(colours["ink"], colours["wash"]) >= READABLE


@pytest.mark.parametrize("look", ["light", "dark", "print"])
def test_lines_that_tell_something_can_be_seen(look: str) -> None:
    colours = palettes()[look]
    for line in ("ink", "quiet", "edge", "ghost", "new"):
        assert contrast(colours[line], colours["paper"]) >= SEEN, line
    for tone in ("outermost", "perimeter", "solid", "sparse", *(f"hue-{k}" for k in range(6))):
        assert contrast(colours["edge"], colours[tone]) >= 2.2, tone


def test_text_colours_are_the_ones_checked() -> None:
    style = (ASSETS / "page.css").read_text("utf-8")
    used = set(re.findall(r"(?<![\w-])color: var\(--([\w-]+)\)", style))
    used |= set(re.findall(r"svg text[^{]*\{ fill: var\(--([\w-]+)\)", style))
    assert used <= {"ink", "soft", "accent"}


def test_scale_of_colours_is_the_published_one() -> None:
    """Cividis (Nunez, Anderton and Renslow 2018, PLOS ONE 13(7) e0199239), as matplotlib tabulates it."""
    matplotlib = pytest.importorskip("matplotlib")
    code = (ASSETS / "colours.js").read_text("utf-8")
    table = re.findall(r'"([0-9a-f]{6})"', code[: code.index(".map(")])
    cividis = matplotlib.colormaps["cividis"]
    expected = [matplotlib.colors.to_hex(cividis(k / (len(table) - 1)))[1:] for k in range(len(table))]
    assert len(table) == 17
    assert table == expected


def test_layers_are_read_by_the_numbers_they_are_written_with() -> None:
    pagedata = pytest.importorskip("gcodetools.report.pagedata")
    code = (ASSETS / "store.js").read_text("utf-8")
    told = {name: int(value) for name, value in re.findall(r"const (\w+) = (\d+);", code)}
    assert (told["PEN_UP"], told["TOLD"]) == (pagedata.PEN_UP, pagedata.ADDED)
    assert (told["UNKNOWN_AGE"], told["UNKNOWN_BOND"]) == (pagedata.UNKNOWN_AGE, pagedata.UNKNOWN_BOND)
