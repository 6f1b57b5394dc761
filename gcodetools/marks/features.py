"""Our own words for what a bead is. Conventions map theirs to these."""

from __future__ import annotations

__all__ = ["FEATURES", "FEATURE_INDEX"]

FEATURES = (
    "none",  # a travel, a retraction, no bead at all
    "outermost",
    "perimeter",
    "solid",
    "sparse",
    "bridge",
    "overhang",  # a perimeter laid over air: its fan is a bridge's
    "gap",
    "support",
    "skirt",  # brim too
    "tower",
    "other",  # start code, priming, what a convention calls custom
)
FEATURE_INDEX = {word: index for index, word in enumerate(FEATURES)}
