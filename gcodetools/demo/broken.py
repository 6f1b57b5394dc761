"""What the demo's greenhouse keeper read when the hooks of a ladder were broken. All of it is invented."""

from __future__ import annotations

import csv
import io
import math

import numpy as np

__all__ = ["INVENTED", "filled_in"]

INVENTED = "invented for the demo"
_SEED = 16
_BEST_C, _WIDTH_C, _MOST_N = 243.0, 32.0, 34.0  # where the invented hooks bear most, how widely, how much
_FAN_SHARE, _SCATTER = 0.25, 0.06  # what a full fan takes from them, and how they differ among themselves
_SCALE_ENDS_N = 33.0  # the invented scale reads no more: what held there did not break


def filled_in(sheet: bytes) -> bytes:
    """A ladder's sheet with forces in it, drawn from an invented law with scatter; the same sheet, the same forces."""
    lines = sheet.decode().splitlines()
    notes = [line for line in lines if line.startswith("#")]
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    chance = np.random.default_rng(_SEED)
    for row in rows:
        off = (float(row["nozzle_c"]) - _BEST_C) / _WIDTH_C
        fan = float(row["fan_percent"]) / 100.0
        mean = _MOST_N * math.exp(-off * off) * (1.0 - _FAN_SHARE * fan)
        force = mean * math.exp(chance.normal(0.0, _SCATTER))
        row["force_n"] = f"{force:.1f}" if force < _SCALE_ENDS_N else f">{_SCALE_ENDS_N:g}"
        row["notes"] = INVENTED
    text = io.StringIO()
    writer = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return "\n".join([*notes, text.getvalue()]).encode()
