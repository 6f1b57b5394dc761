"""Beadwright: treat the parts of a sliced print that flex, bead by bead.

Fidelity: every byte of a file outside the edits comes out as it went in; where nothing is to change, the output
is the input. The exception is none.

    import gcodetools as bw
    program = bw.read("plate.gcode")                   # bytes, moves, states, marks, layers
    kit = bw.load_kit("hoophouse.kit.yaml")
    placed = kit.place(program)                        # poses of the instances found
    treated = bw.apply(program, placed)                # .moves, .changes, .render()
    bw.estimate(treated, placed)                       # strength of its regions, as --json prints it
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from gcodetools._version import __version__

if TYPE_CHECKING:
    from gcodetools.jobs.library import Kit, PlacedKit, apply, compare, estimate, load_kit, read
    from gcodetools.toolpath.plate import Plate

__all__ = ["Kit", "PlacedKit", "Plate", "__version__", "apply", "compare", "estimate", "load_kit", "read"]

# Looked up on first use: the command line must start without numpy.
_WHERE = {
    "Kit": "gcodetools.jobs.library",
    "PlacedKit": "gcodetools.jobs.library",
    "Plate": "gcodetools.toolpath.plate",
    "apply": "gcodetools.jobs.library",
    "compare": "gcodetools.jobs.library",
    "estimate": "gcodetools.jobs.library",
    "load_kit": "gcodetools.jobs.library",
    "read": "gcodetools.jobs.library",
}


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(_WHERE[name]), name)
