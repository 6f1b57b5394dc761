"""The page to eyes and hands of every kind: contrast, narrow windows, fingers, keys, paper.

Contrast and focus as the accessibility guidelines count them (W3C, WCAG 2.2: 1.4.3 contrast of text, 1.4.11 of what is
no text, 1.4.10 reflow, 2.1.1 keyboard, 2.4.7 focus visible, 4.1.2 name, role, value).
"""

from __future__ import annotations

import re
from typing import Any

import pytest

# The guidelines' relative luminance and contrast, written in the page's language, on computed colours. A text's ground
# is what its ancestors paint below it; writing on a drawing stands on its own halo. Both are remembered by element.
CONTRAST = r"""
(() => {
  const parse = (text) => {
    const n = text.match(/[\d.]+/g)?.map(Number) ?? [0, 0, 0, 0];
    return n.length < 4 ? [...n, 1] : n;
  };
  const over = ([r, g, b, a], ground) => [r, g, b].map((c, k) => c * a + ground[k] * (1 - a));
  const linear = (c) => (c / 255 <= 0.04045 ? c / 255 / 12.92 : ((c / 255 + 0.055) / 1.055) ** 2.4);
  const luminance = (c) => 0.2126 * linear(c[0]) + 0.7152 * linear(c[1]) + 0.0722 * linear(c[2]);
  const contrast = (a, b) => {
    const [p, q] = [luminance(a), luminance(b)].sort((x, y) => y - x);
    return (p + 0.05) / (q + 0.05);
  };
  const remembered = (work, root) => {
    const known = new Map();
    const call = (e) => {
      if (!e) return root;
      if (!known.has(e)) known.set(e, work(call(e.parentElement), getComputedStyle(e)));
      return known.get(e);
    };
    return call;
  };
  const ways = { opacityProperty: true, visibilityProperty: true };
  const seen = (e) => e.checkVisibility(ways) && e.getClientRects().length > 0;
  for (const d of document.querySelectorAll("details")) d.open = true;
  const ground = remembered((below, style) => over(parse(style.backgroundColor), below), [255, 255, 255]);
  const opacity = remembered((product, style) => product * parseFloat(style.opacity), 1);
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const found = [];
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const e = node.parentElement;
    if (!node.data.trim() || !seen(e) || e.closest("script, style, noscript, title, option")) continue;
    const style = getComputedStyle(e);
    const drawn = e instanceof SVGElement;
    const halo = drawn && style.paintOrder.startsWith("stroke") && parseFloat(style.strokeWidth) >= 3;
    const below = halo && style.stroke !== "none" ? over(parse(style.stroke), ground(e)) : ground(e);
    const ink = parse(drawn ? style.fill : style.color);
    ink[3] *= opacity(e);
    found.push([contrast(over(ink, below), below), node.data.trim().slice(0, 40), ink.join(), below.join()]);
  }
  return found;
})()
"""
# Everything that can be chosen, and whether it has a name.
CONTROLS = """
[...document.querySelectorAll("a[href], button, select, input, summary, [tabindex='0']")].filter((e) =>
  e.checkVisibility({visibilityProperty: true}) && !e.disabled && e.getClientRects().length)
"""
WHO = "((e) => `${e.tagName} ${e.id || e.name || e.textContent.trim().slice(0, 30)}`)"


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", ["demo", "plain"])
def test_every_text_is_readable(tab, pages, name, scheme):
    tab.look(scheme=scheme)
    tab.open(getattr(pages, name))
    ground = tab.run("getComputedStyle(document.documentElement).backgroundColor")
    assert (sum(map(int, re.findall(r"\d+", ground)[:3])) < 380) == (scheme == "dark")
    if name == "demo":
        tab.press("#draw button[data-way=box]")
    texts = tab.run(CONTRAST)
    assert len(texts) > (100 if name == "demo" else 30)
    assert [one for one in texts if one[0] < 4.5] == []


def test_contrast_is_counted_as_the_guidelines_do(tab, tmp_path):
    """Known values: black on white 21; #767676 on white is the lightest grey that passes (4.54), #777777 does not."""
    page = tmp_path / "greys.html"
    page.write_text(
        "<!doctype html><body data-ready=1 style='background: #fff'><p style='color: #000'>a</p>"
        "<p style='color: #767676'>b</p><p style='color: #777777'>c</p>"
        "<p style='color: #fff; background: #000'>d</p><p style='color: #0008'>e</p>"
        "<p style='display: none; color: #fff'>f</p>"
    )
    tab.open(page)
    found = {text: round(contrast, 2) for contrast, text, *_ in tab.run(CONTRAST)}
    assert found == {"a": 21.0, "b": 4.54, "c": 4.48, "d": 21.0, "e": pytest.approx(4.0, abs=0.5)}
    assert found["e"] < 4.5


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_lines_and_marks_can_be_seen(tab, pages, scheme):
    """Lines that carry a value, of the strip, the bars and the traces: 3 to 1 on the page's ground."""
    tab.look(scheme=scheme)
    tab.open(pages.demo)
    style = tab.run(
        "[...document.querySelectorAll('#strip .thick, #strip .thin, #strip .accent, #strip .ink, .margin .dot,"
        " .margin .solid, #traces .thick, #traces .told, #traces .was')].map((e) => { const s = getComputedStyle(e);"
        "return [e.getAttribute('class'), s.stroke === 'none' ? s.fill : s.stroke,"
        "getComputedStyle(document.documentElement).backgroundColor]; })"
    )
    assert len(style) > 8
    for kind, ink, ground in style:
        assert contrast(ink, ground) >= 3.0, kind


def contrast(a: str, b: str) -> float:
    def luminance(text: str) -> float:
        channels = [int(float(word)) / 255 for word in re.findall(r"[\d.]+", text)[:3]]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    low, high = sorted((luminance(a), luminance(b)))
    return (high + 0.05) / (low + 0.05)


def test_dark_and_light_differ_on_the_canvas_too(tab, pages):
    tab.look(scheme="light")
    tab.open(pages.pair)
    light = tab.run("document.querySelector('#layer').toDataURL()")
    tab.look(scheme="dark")
    tab.settle()
    assert tab.run("document.querySelector('#layer').toDataURL()") != light


@pytest.mark.parametrize("width", [390, 320])
def test_a_narrow_window_scrolls_one_way_only(tab, pages, width):
    """320 px is the guidelines' narrowest."""
    tab.look((width, 844), touch=True)
    tab.open(pages.demo)
    tab.press("#draw button[data-way=box]")
    tab.run("document.querySelectorAll('details').forEach((d) => (d.open = true))")
    assert tab.run("document.documentElement.scrollWidth") <= width
    wide = tab.run(
        "[...document.querySelectorAll('body *')].filter((e) => { const b = e.getBoundingClientRect();"
        "return b.width && b.right > innerWidth + 1 && !e.closest('.skip, .scroll') && !e.closest('svg *'); })"
        ".map((e) => e.tagName + ' ' + (e.id || e.className))"
    )
    assert wide == []
    lost = tab.run(
        f"{CONTROLS}.filter((e) => {{ if (e.closest('.skip')) return false;"
        "e.scrollIntoView({block: 'center'});"
        "const b = e.getBoundingClientRect(); return b.left < -1 || b.right > innerWidth + 1 || b.height < 1; })"
        f".map({WHO})"
    )
    assert lost == []
    # Nothing is cut off: what it shows, or what it scrolls to.
    cut = tab.run(
        "[...document.querySelectorAll('#hold, #costs, #watch, #verdict li, #minutes td, #notes p, #readout dd')]"
        ".filter((e) => e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).overflowX === 'hidden')"
        ".map((e) => e.textContent)"
    )
    assert cut == []


def test_a_finger_chooses_a_height_and_a_bead(tab, pages):
    tab.look((390, 844), touch=True)
    tab.open(pages.demo)
    before = tab.layer()
    left, top, width, height = tab.box("#strip")
    tab.tap(left + width / 2, top + height * 0.8)
    tab.until(f"beadwright.layer() !== {before}")
    left, top, width, height = tab.box("#layer")
    assert width > 200 and height > 300
    tab.tap(left + width / 2, top + height / 2)
    assert "mm" in tab.text("#readout") and "plate" in tab.text("#readout")


def test_tab_reaches_everything_in_order_and_shows_where_it_is(tab, pages):
    tab.open(pages.pair)
    count = tab.run(f"{CONTROLS}.length")
    stops: list[Any] = []
    for _ in range(count + 3):
        tab.key("Tab")
        stop = tab.run(
            f"((e) => {{ if (e === document.body) return null; const all = {CONTROLS};"
            "const mark = e.matches('input[type=radio]') ? e.nextElementSibling : e; const s = getComputedStyle(mark);"
            "const b = mark.getBoundingClientRect();"
            "const ring = s.outlineStyle === 'none' ? 0 : parseFloat(s.outlineWidth);"
            f"return {{who: {WHO}(e), at: all.indexOf(e), ring,"
            "colour: s.outlineColor, seen: b.bottom > 0 && b.top < innerHeight && b.width > 0,"
            "ground: getComputedStyle(document.documentElement).backgroundColor}; })(document.activeElement)"
        )
        if stop is None:
            break
        stops.append(stop)
    reached = {stop["at"] for stop in stops}
    radios = tab.run(
        f"{CONTROLS}.map((e, k) => [k, e.matches('#side input')]).filter((p) => p[1]).map((p) => p[0])"
    )
    missed = set(range(count)) - reached - set(radios)
    assert [tab.run(f"{WHO}({CONTROLS}[{k}])") for k in sorted(missed)] == []
    assert reached & set(radios)
    assert [stop["at"] for stop in stops] == sorted(stop["at"] for stop in stops)
    assert [stop["who"] for stop in stops if stop["ring"] < 2 or not stop["seen"]] == []
    assert all(contrast(stop["colour"], stop["ground"]) >= 3 for stop in stops)
    ids = [stop["who"].split()[-1] for stop in stops]
    order = ["instance", "beside", "strip", "quantity", "alternate", "layer"]
    assert [ids.index(name) for name in order] == sorted(ids.index(name) for name in order)


def test_the_first_tab_skips_to_the_drawing(tab, pages):
    tab.open(pages.demo)
    tab.key("Tab")
    assert tab.run("document.activeElement.className") == "skip"
    tab.key("Enter")
    tab.key("Tab")
    assert tab.run("document.querySelector('#drawing').contains(document.activeElement)")


def test_a_card_is_chosen_by_key_and_looks_at_its_region(tab, pages):
    tab.open(pages.demo)
    key = tab.run("document.querySelectorAll('#verdict > li')[2].dataset.key")
    tab.run("document.querySelectorAll('#verdict > li')[2].querySelector('button').focus()")
    tab.key("Enter")
    part = key.partition("/")[0]
    chosen = tab.run("document.querySelector('#instance').selectedOptions[0].textContent")
    assert chosen == part.replace("#", " #")
    region = next(one for one in pages.data["regions"] if one["key"] == key)
    low, high = region["plate_layers"]
    assert low <= tab.layer() - 1 <= high
    assert tab.run("document.querySelectorAll('#verdict > li')[2].classList.contains('chosen')")


def test_everything_has_a_name_and_a_role(tab, pages):
    """As the browser tells a screen reader."""
    tab.open(pages.demo)
    tab.send("Accessibility.enable")
    nodes = tab.send("Accessibility.getFullAXTree")["nodes"]
    tab.send("Accessibility.disable")
    told = [
        (one["role"]["value"], one.get("name", {}).get("value", ""))
        for one in nodes
        if not one.get("ignored") and "role" in one
    ]
    acting = {
        "button",
        "combobox",
        "slider",
        "radio",
        "link",
        "spinbutton",
        "textbox",
        "img",
        "image",
        "canvas",
    }
    assert [role for role, name in told if role in acting and not name.strip()] == []
    roles = [role for role, _ in told]
    for role in ("slider", "combobox", "radio", "button", "main", "heading"):
        assert role in roles, role
    headings = [name for role, name in told if role == "heading"]
    assert (
        headings.index("Will it hold?")
        < headings.index("What does it cost?")
        < headings.index("What to watch?")
    )
    slider = next(one for one in nodes if one.get("role", {}).get("value") == "slider")
    told_of = {item["name"]: item["value"].get("value") for item in slider["properties"]}
    said = tab.run("document.querySelector('#strip').getAttribute('aria-valuetext')")
    # Chromium 156.0.8078.114 tells the words of any slider as empty over its protocol, a plain element's too.
    assert said.startswith("layer ") and told_of["valuetext"] in (said, "")
    assert said.startswith(f"layer {slider['value']['value']} of ")
    assert float(told_of["valuemin"]) == 1 and float(told_of["valuemax"]) == len(
        pages.data["sides"][-1]["layers"]["z_mm"]
    )


def pdf_pages(data: bytes) -> int:
    """How many sheets a PDF has: its page objects (ISO 32000, 7.7.3.3)."""
    return len(re.findall(rb"/Type\s*/Page(?!s)\b", data))


def test_it_prints_on_two_sheets(tab, pages):
    tab.open(pages.demo)
    assert pdf_pages(tab.printed()) == 2
    tab.open(pages.plain)
    assert pdf_pages(tab.printed()) <= 2


@pytest.mark.parametrize("name", ["demo", "plain"])
def test_on_paper_nothing_is_cut(tab, pages, name):
    """A4 without its margins, 186 mm, at 96 px an inch."""
    tab.look((703, 1030), media="print", scheme="dark")
    tab.open(getattr(pages, name))
    assert tab.run("document.documentElement.scrollWidth") <= 703
    cut = tab.run(
        "[...document.querySelectorAll('body *')].filter((e) => {"
        "const s = getComputedStyle(e), b = e.getBoundingClientRect();"
        "if (!b.width || e.closest('svg *') || e.closest('.skip') || s.clipPath !== 'none') return false;"
        "const hides = (o) => o !== 'visible';"
        "return b.right > 704 || (hides(s.overflowY) && e.scrollHeight > e.clientHeight + 2) ||"
        "(hides(s.overflowX) && e.scrollWidth > e.clientWidth + 2); })"
        ".map((e) => e.tagName + ' ' + (e.id || e.className))"
    )
    assert cut == []
    # Black on white even for a reader of the dark.
    assert tab.run("getComputedStyle(document.documentElement).backgroundColor") in (
        "rgb(255, 255, 255)",
        "#FFFFFF",
    )
    for wanted in ("#hold", "#costs", "#layer", "#strip", "#traces", "#minutes", "#notes"):
        assert tab.run(f"document.querySelector('{wanted}').checkVisibility()"), wanted
    texts = tab.run(CONTRAST)
    assert [one for one in texts if one[0] < 4.5] == []
