"""The demo's film clip, 12 mm high in place of 30, and the demo's kit that knows it so: 60 layers show what 150 do."""

from __future__ import annotations

from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.shapes import film_clip

LOW_CLIP = film_clip(height_mm=12.0)
_HIGH = "      height: 30\n      scale_within: 2%\n"


def low_kit() -> str:
    """The demo's kit for plates with `LOW_CLIP`."""
    text = hoophouse_kit()
    assert text.count(_HIGH) == 1
    return text.replace(_HIGH, _HIGH.replace("30", "12"))
