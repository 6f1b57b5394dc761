"""What tests of print runs share: plates, one of them treated, and an order of them."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from gcodetools.demo.kit import hoophouse_kit
from gcodetools.demo.maker import Placement, make
from gcodetools.jobs.apply import Options, apply_plate
from gcodetools.jobs.plan import Wanted, plan_file
from gcodetools.kit.schema import kit_from_bytes
from gcodetools.toolpath.plate import Plate

BARE = Options(())
QUICK = Wanted(runs=300)
KEYS = tuple(Placement("wedge-key-snug", 60 + 30 * k, 110) for k in range(2))
MIXED = (Placement("wedge-key-snug", 60, 110), Placement("wedge-key-easy", 100, 110))
KIT_TEXT = hoophouse_kit()
ORDER = """\
beadwright: 1
order: spring
kit: hoophouse.kit.yaml
kits: 10
one_kit: {wedge-key-snug: 3, wedge-key-easy: 1}
parts: {wedge-key-snug: 6}
zone: Europe/Vienna
start: 2026-03-27T08:00
due: 2026-03-27T20:00
plates:
  - {file: keys.gcode, treated: keys-treated.gcode}
  - {file: mixed.gcode}
printers:
  - {name: bench, machine: desktop-220, count: 2, hours: "07:00-23:00", swap: 10 min, failed: 5%, per_hour: 0.5}
  - {name: attic, machine: desktop-180, hours: "08:00-17:00", swap: 10 min, failed: 10%, failed_at: end,
     plates: [mixed]}
spools:
  - {material: petg, net_g: 1000, on_hand: 1, price: 22}
electricity_per_kwh: 0.30
"""


@lru_cache(maxsize=1)
def files() -> dict[str, bytes]:
    """The plates, one of them treated."""
    kit = kit_from_bytes(KIT_TEXT.encode(), "hoophouse.kit.yaml")
    keys, mixed = (make("B", parts=parts).data for parts in (KEYS, MIXED))
    treated = apply_plate(Plate.from_bytes(keys, "keys.gcode"), kit, BARE).treated.render()
    return {"keys.gcode": keys, "keys-treated.gcode": treated, "mixed.gcode": mixed}


def laid(folder: Path) -> Path:
    """The plates and the demo's kit, written into a folder."""
    for name, data in files().items():
        (folder / name).write_bytes(data)
    (folder / "hoophouse.kit.yaml").write_text(KIT_TEXT, encoding="utf-8")
    return folder


def planned(bench: Path, text: str = ORDER, wanted: Wanted = QUICK, options: Options = BARE):
    path = bench / "run.order.yaml"
    path.write_text(text, encoding="utf-8")
    return plan_file(path, wanted, options)
