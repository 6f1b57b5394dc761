"""Names, labels and comments that would be markup or script if the page let them; and the policy that would stop them.

Content security policy as CSP Level 3 (W3C) has it: what the page's own digests do not cover does not run.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
import yaml
from click.testing import CliRunner

from gcodetools.cli.main import cli
from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import Placement, make_plate
from gcodetools.report.page import assemble

SCRIPT = "</script><script>alert(1)</script>"
IMAGE = "<img src=x onerror=alert(2)>"
QUOTES = "\"'`${alert(3)}{{script}}&lt;"
PART = f"clip{SCRIPT}"
REGION = f"lips{IMAGE}{QUOTES}"
KIT = f"k\"'{IMAGE}<!--<script>"
FILE = f"pl<script>alert(4)<script>{IMAGE}&amp;'.gcode"


@pytest.fixture(scope="module")
def hostile(browser_program: str, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A page of a clip whose label, kit, part, region and comments are hostile."""
    folder = tmp_path_factory.mktemp("hostile")
    part, region = (json.dumps(name) for name in (PART, REGION))
    text = hoophouse_kit()
    own = text[text.index("  film-clip:\n") : text.index("  ridge-saddle:\n")]
    head = text[: text.index("parts:\n")].replace("kit: hoophouse", f"kit: {json.dumps(KIT)}")
    own = own.replace("  film-clip:\n", f"  {part}:\n").replace("      lips:\n", f"      {region}:\n")
    own = own.replace('["film-clip*"]', json.dumps([f"*{IMAGE}*"]))
    (folder / "kit.yaml").write_text(f"{head}parts:\n{own}{text[text.index('treatments:') :]}")
    plate = make_plate(parts=(Placement("film-clip", 60, 110, 30.0),)).replace(
        b"film-clip", f"film-clip{IMAGE}".encode()
    )
    comments = f"; {SCRIPT} {IMAGE} \u2028 {QUOTES}\n".encode()
    (folder / FILE).write_bytes(comments + plate + comments)
    page = folder / "page.html"
    words = ["report", folder / FILE, "--kit", folder / "kit.yaml", "--against", folder / FILE, "-o", page]
    ran = CliRunner().invoke(cli, [str(word) for word in words])
    assert ran.exit_code == 0, ran.output
    return page


def markup(tab: Any) -> dict[str, int]:
    return tab.run(
        "((all) => ({scripts: document.scripts.length, styles: document.querySelectorAll('style, link').length,"
        "images: document.querySelectorAll('img, iframe, object, embed, video').length,"
        "handlers: all.filter((e) => [...e.attributes].some((a) => /^on/i.test(a.name))).length}))"
        "([...document.querySelectorAll('*')])"
    )


def test_hostile_names_are_shown_as_they_are_and_run_nothing(tab, hostile):
    tab.open(hostile)
    tab.show(40)
    for key in ("ArrowRight", "b"):
        tab.key(key)
    tab.run("document.querySelectorAll('details').forEach((d) => (d.open = true))")
    tab.run("new Promise((done) => setTimeout(() => done(1), 200))")
    assert tab.run("window.ran") == []
    assert tab.troubles() == []
    assert tab.requests() == [hostile.as_uri()]
    assert markup(tab) == {"scripts": 2, "styles": 1, "images": 0, "handlers": 0}
    assert tab.run("document.title") == f"{FILE} against {FILE}"
    assert FILE in tab.text("#sheet") and KIT in tab.text("#sheet")
    shown = tab.run("document.querySelector('#verdict').textContent")
    assert PART in shown and REGION in shown
    assert PART.replace("#", " #") in tab.text("#instance")
    # Region names stand on the strip, in its titles.
    assert REGION in tab.run(
        "[...document.querySelectorAll('#strip title')].map((t) => t.textContent).join()"
    )


def test_a_hostile_part_is_quoted_in_the_lines_for_a_kit(tab, hostile):
    tab.open(hostile)
    tab.press("#draw button[data-way=box]")
    left, top, width, height = tab.box("#layer")
    tab.drag((left + 0.4 * width, top + 0.4 * height), (left + 0.6 * width, top + 0.6 * height))
    assert list(yaml.safe_load(tab.text("#fragment"))["parts"]) == [PART]


def everywhere(value: Any, text: str) -> Any:
    """Data with a text behind each of its names and sentences."""
    if isinstance(value, dict):
        return {key: everywhere(one, text) if key not in KEPT else one for key, one in value.items()}
    if isinstance(value, list):
        return [everywhere(one, text) for one in value]
    return value + text if isinstance(value, str) else value


# What the page looks things up by, and beads.
KEPT = {
    "schema", "sides", "features", "key", "part", "instance", "region", "strip", "trace", "basis", "verdict", "columns",
    "draws",
}  # fmt: skip


@pytest.mark.parametrize(
    "text", [SCRIPT, IMAGE, QUOTES, "\u2028\u2029", "<!--<script>", "]]>-->\\u003c/script>\\"]
)
@pytest.mark.every(1)
def test_no_sentence_of_the_data_becomes_markup(tab, pages, tmp_path, text):
    """Data of the page themselves, whatever their source: each sentence with something hostile behind it."""
    found = re.search(rb'id="data">(.*?)</script>', pages.pair.read_bytes(), re.DOTALL)
    data = everywhere(json.loads(found[1]), text)
    page = tmp_path / "page.html"
    page.write_bytes(assemble(data))
    tab.open(page)
    assert tab.run("window.ran") == [] and tab.troubles() == []
    assert markup(tab) == {"scripts": 2, "styles": 1, "images": 0, "handlers": 0}
    told = data["records"]["after"][0]["sentence"]
    assert told.endswith(text)
    shown = tab.run("document.querySelector('#verdict').textContent")
    assert sum(one["sentence"] in shown for one in data["records"]["after"] if one.get("sentence")) >= 3
    assert tab.run("JSON.parse(document.getElementById('data').textContent).file").endswith(text)


# What each way tries, in a page that has `add(tag, properties, parent)`.
ADD = (
    "const add = (tag, given, parent = document.body) =>"
    "{ const e = Object.assign(document.createElement(tag), given); parent.append(e); return e; };"
)
INJECTED = {
    "script": "add('script', {textContent: 'window.ran.push(1)'});",
    "handler": "document.body.insertAdjacentHTML('beforeend', '<p onclick=\"window.ran.push(2)\" id=hit>x</p>');"
    "document.getElementById('hit').click();",
    "image": "document.body.insertAdjacentHTML('beforeend',"
    "'<img src=data:image/gif;base64,R0 onerror=\"window.ran.push(3)\">');",
    "address": "add('a', {href: 'javascript:window.ran.push(4)'}).click();",
    "eval": "setTimeout('window.ran.push(5)', 0);",
    "style": "add('style', {textContent: 'body { color: rgb(1, 2, 3) }'}, document.head);",
    "frame": "add('iframe', {srcdoc: '<script>parent.ran.push(6)</' + 'script>'});",
    "fetch": "fetch('https://example.invalid/').catch(() => {});",
    "picture": "new Image().src = 'https://example.invalid/a.png';",
    "base": "add('base', {href: 'https://example.invalid/'}, document.head);",
}


@pytest.mark.parametrize("way", INJECTED)
@pytest.mark.every(1)
def test_the_policy_stops_what_is_not_the_pages_own(tab, pages, way):
    tab.open(pages.plain)
    tab.run(
        "document.addEventListener('securitypolicyviolation', (e) => (window.broke = e.effectiveDirective))"
    )
    tab.run(f"(() => {{ {ADD}{INJECTED[way]} }})()")
    tab.run("new Promise((done) => setTimeout(() => done(1), 150))")
    assert tab.run("window.ran") == []
    assert tab.run("getComputedStyle(document.body).color") != "rgb(1, 2, 3)"
    assert tab.run("document.baseURI") == pages.plain.as_uri()
    # A frame of the page's own text is there, but its script is not run.
    assert way == "frame" or tab.run("window.broke"), "the policy did not speak"
    sent = [
        url
        for url in tab.requests()
        if url != pages.plain.as_uri() and not url.startswith(("data:", "about:"))
    ]
    blocked = [
        event["params"].get("blockedReason")
        for event in tab.browser.events
        if event["method"] == "Network.loadingFailed" and event.get("sessionId") == tab.session
    ]
    assert not sent or set(blocked) == {"csp"}


@pytest.mark.parametrize("way", ["script", "handler", "style"])
@pytest.mark.every(1)
def test_without_the_policy_they_would_run(tab, pages, tmp_path, way):
    """The same on the page without its policy: what the tests above see is the policy's doing."""
    text = pages.plain.read_text()
    bare = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", text)
    assert bare != text
    page = tmp_path / "bare.html"
    page.write_text(bare)
    tab.open(page)
    tab.run(f"(() => {{ {ADD}{INJECTED[way]} }})()")
    assert tab.run("window.ran.length > 0 || getComputedStyle(document.body).color === 'rgb(1, 2, 3)'")
