"""Our own words for what a bead is. Conventions map theirs to these."""

from __future__ import annotations

__all__ = ["FEATURES", "FEATURE_INDEX", "unlisted"]

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

# A word that no table lists is "other", unless it plainly names something that is no part of an object.
_APART = {
    "support": "support",
    "raft": "support",
    "skirt": "skirt",
    "brim": "skirt",
    "tower": "tower",
    "pillar": "tower",
}


def unlisted(word: str) -> str:
    """Our word for a spelled one that the convention's table does not have."""
    spelled = word.lower()
    return next((own for part, own in _APART.items() if part in spelled), "other")
