"""The audit: clean on whatever the writer writes, and loud on every byte that is not as declared."""

from __future__ import annotations

import os
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gcodetools.edit.draft import Draft, Rest

PLATES = {
    "labelled-relative": ("B", {}),
    "labelled-absolute": ("B", {"relative_e": False}),
    "json-objects": ("B2", {"relative_e": False}),
    "coded-objects": ("C", {"relative_e": True}),
    "coded-absolute-arcs": ("D", {"relative_e": False, "arcs": True}),
    "numbered": ("B", {"object_commands": "m486", "relative_e": False}),
    "sequential": ("B", {"sequential": True, "relative_e": False}),
    "firmware": ("C", {"firmware_retraction": True, "arcs": True}),
    "bare": ("J", {}),
    "macro": ("A", {"macro_start": True, "newline": "\r\n"}),
    "paths": ("G", {}),
    "parentheses": ("H", {}),
    "geometry": ("I", {}),
    "tracks": ("F", {}),
}
MANY = int(os.environ.get("BEADWRIGHT_DRAFTS", "6"))


@pytest.mark.parametrize("name", PLATES)
def test_random_drafts_are_clean_in_both_modes(demo, drawn, write, name):
    convention, options = PLATES[name]
    plate = demo(convention, **options)

    @settings(max_examples=MANY)
    @given(st.integers(0, 2**32))
    def clean(seed):
        write(drawn(plate, seed))

    clean()


@pytest.mark.parametrize("seed", [1, 2])
def test_random_drafts_of_real_files_are_clean_in_both_modes(sample, drawn, write, seed):
    if len(sample.moves) > 60_000:
        pytest.skip("left to the long run")
    write(drawn(sample, seed))


def digits_of(output, letters, rng, count, where=None):
    """Places of digits in words of `letters` in command lines, `count` of them; where(line) picks lines."""
    found, at = [], 0
    for number, line in enumerate(output.split(b"\n")):
        code = line.split(b";")[0].split(b"(")[0]
        if (where is None or where(number, line)) and code[:1] in b"GMgm":
            for word in re.finditer(rb"\s([" + letters + rb"])(-?[0-9]*\.?[0-9]+)", code):
                spots = [word.start(2) + k for k, c in enumerate(word.group(2)) if chr(c).isdigit()]
                found.append(at + int(rng.choice(spots)))
        at += len(line) + 1
    return rng.choice(found, min(count, len(found)), replace=False).tolist() if found else []


def with_other_digit(output, at, rng):
    digit = bytes([48 + (output[at] - 48 + int(rng.integers(1, 10))) % 10])
    return output[:at] + digit + output[at + 1 :]


def sees(treated, output, full):
    found = replace(treated, output=output).audit(full=full)
    return found.differing > 0


def everything(plate, seed=0):
    """A draft with all settings over most of the plate, so that most lines are in edited windows."""
    rng = np.random.default_rng(seed)
    beads = np.flatnonzero(plate.beads.feature != 0)
    cut = np.sort(rng.choice(beads, 80, replace=False))
    draft = Draft.of(plate, cut, np.full(80, 0.4))
    some = (plate.beads.feature[draft.row] != 0) & (draft.row % 7 < 3)
    draft.feed[some] = 0.8 * plate.moves.f[draft.row[some]]
    draft.flow[some] = 1.04
    draft.accel[some] = 600.0
    layers = plate.layers
    draft.fan = np.full(len(plate.moves), np.nan)
    draft.nozzle_c = draft.fan.copy()
    rows = slice(int(layers.first_row[4]), int(layers.last_row[8]))
    draft.fan[rows], draft.nozzle_c[rows] = 0.2, 238.0
    draft.rests.append(Rest(6, 7.0, "r"))
    return draft


TAMPERED = [("B", {}), ("B", {"relative_e": False}), ("D", {"relative_e": False, "arcs": True}), ("C", {"arcs": True})]


@pytest.mark.parametrize(("convention", "options"), TAMPERED)
@pytest.mark.parametrize("letters", [b"XY", b"Z", b"E", b"F", b"SP", b"IJ"])
def test_one_other_digit_anywhere_is_seen_by_the_full_audit(demo, write, convention, options, letters):
    treated = write(everything(demo(convention, **options)))
    rng = np.random.default_rng(5)
    for at in digits_of(treated.output, letters, rng, 25):
        output = with_other_digit(treated.output, at, rng)
        line = output.count(b"\n", 0, at)
        assert sees(treated, output, True), (treated.output.split(b"\n")[line], output.split(b"\n")[line])
