"""Kinds of new moves in a run."""

from __future__ import annotations

__all__ = ["BEAD", "FIRMWARE_PULL", "FIRMWARE_PUSH", "LIFT", "PULL", "PUSH", "TRAVEL", "WIPE"]

TRAVEL, BEAD = 0, 1  # in X and Y, without and with filament
PULL, PUSH = 2, 3  # filament alone, back and forth
LIFT = 4  # Z alone, up or down
WIPE = 5  # in X and Y while filament is pulled back
FIRMWARE_PULL, FIRMWARE_PUSH = 6, 7  # G10, G11
