"""A long hunt by seeds: `python tests/hardening/hunt.py SECONDS FIRST_SEED [TARGET...]`; prints what broke, and counts.

What takes over 6 GB ends in a fault of its own, where the system can limit it; a case of more than five minutes says
where it is.
"""

from __future__ import annotations

import collections
import contextlib
import faulthandler
import sys
import time
import traceback
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from mutants import seeded
from targets import TARGETS, Broken, run_case

_MOST_BYTES = 6 << 30
_LONG_S = 300


def _limited() -> None:
    with contextlib.suppress(ImportError, OSError, ValueError):
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (_MOST_BYTES, resource.getrlimit(resource.RLIMIT_AS)[1]))


def main() -> None:
    budget_s, first = float(sys.argv[1]), int(sys.argv[2])
    names = sys.argv[3:] or list(TARGETS)
    ended: dict[str, collections.Counter[object]] = {name: collections.Counter() for name in names}
    spent: collections.Counter[str] = collections.Counter()
    seen: set[str] = set()
    slowest = (0.0, "", 0)
    _limited()
    began, seed = time.process_time(), first
    while time.process_time() - began < budget_s:
        name = min(names, key=lambda one: spent[one])
        at = time.process_time()
        faulthandler.dump_traceback_later(_LONG_S)
        try:
            for status in run_case(TARGETS[name](seeded(seed))):
                ended[name][status] += 1
        except Broken as error:
            ended[name]["broken"] += 1
            text = str(error)
            lines = text.strip().splitlines()
            key = "".join(line for line in lines if line.startswith("  File"))[-300:] or lines[0][:60]
            if key not in seen:
                seen.add(key)
                print(f"BROKEN {name} {seed}\n{text[-1800:]}\n", flush=True)
        except Exception:
            print(f"HARNESS {name} {seed}\n{traceback.format_exc()[-1500:]}", flush=True)
            ended[name]["harness"] += 1
        took = time.process_time() - at
        spent[name] += took
        slowest = max(slowest, (took, name, seed))
        seed += 1
    for name in names:
        print(name, f"{spent[name]:.0f} s", dict(ended[name]), flush=True)
    print("slowest", slowest, "seeds", first, "to", seed - 1)


if __name__ == "__main__":
    main()
