"""One self-contained HTML file of the page's assets and its data.

The file fetches nothing: style, script and data stand in it, and its content security policy (CSP level 3, W3C)
lets that one script and that one style through, by their SHA-256, and nothing else. Data stand in a script element of
type application/json, which no browser runs; what could end the element or open a comment in it is escaped.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from html import escape
from pathlib import Path
from typing import Any

__all__ = ["assemble"]

_ASSETS = Path(__file__).with_name("page")
# One scope, in the order of use; the last one starts the page.
_SCRIPTS = (
    *("words", "store", "colours", "scene", "notes", "layer"),
    *("strip", "cards", "answers", "traces", "drawn", "reading", "margins", "page"),
)
_SLOT = re.compile(r"\{\{(\w+)\}\}")
# In JSON these stand in strings only, where an escape means the same; beyond ASCII json escapes all.
_ESCAPES = {ord(letter): f"\\u{ord(letter):04x}" for letter in "<>&"}


def assemble(data: dict[str, Any]) -> bytes:
    """The page of some data, UTF-8; the same data give the same bytes.

    Raises
    ------
    ValueError : a number that JSON does not know (NaN, infinity).
    """
    style = _asset("page.css")
    script = '"use strict";\n(() => {\n' + "\n".join(_asset(f"{name}.js") for name in _SCRIPTS) + "})();\n"
    slots = {
        "policy": escape(_policy(script, style)),
        "title": escape(_title(data)),
        "style": style,
        "script": script,
        "data": _json(data),
    }
    # One pass, so that what a slot holds is never taken for a slot.
    return _SLOT.sub(lambda slot: slots[slot[1]], _asset("page.html")).encode("utf-8", "replace")


def _asset(name: str) -> str:
    return (_ASSETS / name).read_text("utf-8")


def _policy(script: str, style: str) -> str:
    rules = {
        "default-src": "'none'",
        "script-src": _digest(script),
        "style-src": _digest(style),
        "base-uri": "'none'",
        "form-action": "'none'",
    }
    return "; ".join(f"{key} {value}" for key, value in rules.items())


def _digest(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode('ascii')}'"


def _title(data: dict[str, Any]) -> str:
    names = [Path(str(data[key])).name for key in ("file", "against") if data.get(key)]
    return " against ".join(names) or "Beadwright"


def _json(data: dict[str, Any]) -> str:
    text = json.dumps(data, allow_nan=False, separators=(",", ":"))
    return text.translate(_ESCAPES)
