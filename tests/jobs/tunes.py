"""Filled-in sheets of made-up truths, for the tests of `tune`."""

from __future__ import annotations

import numpy as np

from gcodetools.documents.profiles import load_material
from gcodetools.jobs.tune import Asked, tune_sheets
from gcodetools.jobs.tune_out import Outputs, tune_files
from gcodetools.trials.sheet_csv import FACTOR_COLUMNS, sheet_text

AREA, OFFSET_C = 60.0, -3.0  # a nozzle reaches less than it is told


def strength_mpa(nozzle_c, fan=30.0, age_s=14.0, peak_c=238.0):
    """The truth of the made-up ladders: layers bear most at 238 C reached."""
    return 33.0 * np.exp(
        -0.12 * ((nozzle_c - peak_c) / 12) ** 2 - 0.003 * (fan - 30) - 0.05 * np.log(age_s / 14.0)
    )


def ladder(path, *, nozzle=(220, 230, 240, 250), fan=(30.0,), speed=(), copies=3, sigma=0.05, seed=1,
           truth=strength_mpa,
           held_n=None, said=None, drop=(), answer="force_n", scale=AREA):  # fmt: skip
    """A filled-in sheet of a made-up truth, in random order on the plate."""
    rng = np.random.default_rng(seed)
    steps = [(t, f, s) for t in nozzle for f in fan for s in (speed or (None,))]
    order = rng.permutation(len(steps) * copies)
    rows = []
    for number, k in enumerate(order.tolist()):
        t, f, s = steps[k // copies]
        age = 14.0 if s is None else 4.0 + 10.0 * 100.0 / s
        value = scale * truth(t + OFFSET_C, f, age) * np.exp(sigma * rng.standard_normal())
        read = f">{held_n:g}" if held_n is not None and value > held_n else round(float(value), 2)
        row = {
            "specimen": number + 1, "step": k // copies + 1, "part": "bar", "instance": number + 1, "layers": "1-200",
            "x_mm": 20.0 + 30 * (number % 5), "y_mm": 20.0 + 40 * (number // 5), "z_mm": 20.0,
            "nozzle_c": float(t), "fan_percent": float(f),
            "nozzle_reached_c": t + OFFSET_C, "fan_reached_percent": float(f),
            "layer_time_s": age, "width_mm": 0.45, "height_mm": 0.2, "section_mm2": AREA, answer: read,
        }  # fmt: skip
        if s is not None:
            row["speed_percent"] = float(s)
        rows.append({key: value for key, value in row.items() if key not in drop})
    names = [name for name, column in FACTOR_COLUMNS.items() if any(column in row for row in rows)]
    path.write_text(
        sheet_text(
            said or {"file": "plate.gcode", "part": "bar", "region": "waist", "material": "petg"}, names, rows
        )
    )
    return path


def tuned(*paths, **asked):
    return tune_sheets(list(paths), Asked(**asked))


def written(tmp_path, *paths, name="my-petg", wall_mm=None, **asked):
    out = tmp_path / f"{name}.yaml"
    made = tune_files(list(paths), Asked(**asked), Outputs(out, None, False, None, wall_mm))
    return load_material(str(out)), made, out.read_text()
