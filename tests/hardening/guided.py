"""A hunt led by coverage, by atheris (no dependency: `pip install atheris`, CPython 3.11 to 3.13 on Linux).

    python tests/hardening/guided.py TARGET [-max_total_time=600] [CORPUS FOLDER]

TARGET is a name in `targets.TARGETS`. Each input is a row of choices: what the mutations ask of a seed elsewhere is
taken from the fuzzer's bytes, so that it learns which of them lead somewhere new. An input that breaks something is
written to a file `crash-...`; give that file as the argument to run it again.
"""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import atheris

COMMANDS = {
    "gcode": "inspect", "kits": "check", "orders": "plan", "sheets": "tune", "settings": "profile", "profiles": "check",
    "containers": "inspect",
}  # fmt: skip

# What a target's first command needs is watched; all of it would take minutes to load.
with atheris.instrument_imports(include=["gcodetools"]):
    importlib.import_module(f"gcodetools.cli.{COMMANDS[sys.argv[1]]}")

from targets import TARGETS, run_case  # noqa: E402


def main() -> None:
    target = TARGETS[sys.argv.pop(1)]

    def one(data: bytes) -> None:
        provider = atheris.FuzzedDataProvider(data)
        run_case(target(lambda n: provider.ConsumeIntInRange(0, n - 1)))

    atheris.Setup(sys.argv, one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
