"""The Hoophouse's kit file: its text, with the outlines taken from the shapes. All of it is invented."""

from __future__ import annotations

import re

from gcodetools.demo.shapes import KEY_LENGTH_MM, part_named
from gcodetools.demo.slicing import polygons

__all__ = ["hoophouse_kit", "outline_text"]

_TEMPLATE = """\
# Hoophouse: a small greenhouse bench. Film is held on 16 mm tube by snap-on clips, the ridge tube sits in
# saddles, tapered keys hold the saddles, shelf hooks snap into end plates. Made up for the demo, every number
# of it; the comments say why each region is there, so that you can write your own.
#
#   beadwright check hoophouse.kit.yaml              is it valid?
#   beadwright inspect plate.gcode --kit .           what of it is on the plate?

beadwright: 1
kit: hoophouse
material: petg
machine: desktop-220
# Only for files that leave nozzle and fan to a start macro.
base: {nozzle: 230, fan: 40%}

parts:

  film-clip:
    # Found by the object's label; by its outline where the file has no labels, and for the turn in any case.
    # The outline is the edge of the plastic on the first layer. Its frame is the part's own: here the tube's
    # axis is at [0, 0] and the clip opens towards +x.
    found_by:
      label: ["film-clip*"]
      outline:
@outline film-clip@
      height: 30
      scale_within: 2%
    regions:
      # Three ribs in the bore, 1.2 mm wide: found by being thinner than 2 mm. The walls beside them (2.4 mm)
      # are not. Where two regions claim a bead the one written first wins; of these no two do.
      ribs:
        role: rib
        within:
          all_of:
            - slab: {z: [2, 28]}
            - ring: {centre: [0, 0], radius: [7.2, 8]}
            - thinner_than: 2.0
        treat: packed
      # The arms beside the opening. They are pushed apart by a fixed way, 3.74 mm, each time the clip goes
      # on: what limits them is strain along the beads, and heat buys nothing there. As sliced, the
      # 0.7 mm between their perimeters hold a zigzag across the bending, whose ends peel; `fill` lays beads
      # along the wall instead, as far as the region goes. The outermost perimeter keeps its place and its
      # plastic, so the clip still fits its tube. And even, slower beads. No fan: it can't follow a lip inside
      # a layer, and these lips are in every layer of the plate.
      lips:
        role: clip
        within:
          any_of:
            - wedge: {centre: [0, 0], radius: [7.5, 11], angle: [50, 80]}
            - mirror: y
        load: {open_ring: {bore: 16, gap: 100, onto: 16, wall: 2.4, height: 30, friction: 0.3, tilt: 10,
                           printed: standing}}
        use: {times: 20, held: free, temperature: [-5, 50], years: 2}
        treat: [gentle, {perimeters: {fill: true}}]
      # The back, where bending is greatest. It begins where the ribs end, at the bore.
      spine:
        role: clip
        within:
          all_of:
            - wedge: {centre: [0, 0], radius: [8, 11], angle: [145, 215]}
            - none_of: [{slab: {layers: [1, 3]}}]
        load: {open_ring: {bore: 16, gap: 100, onto: 16, wall: 2.4, height: 30, friction: 0.3, tilt: 10,
                           printed: standing}}
        use: {times: 20, held: free, temperature: [-5, 50], years: 2}
        treat: {flow: {scale: 103%}}

  ridge-saddle:
    found_by:
      label: "ridge-saddle*"
      outline:
@outline ridge-saddle@
      height: 14
    regions:
      # The slotted mouths of the two sockets: what stands above the tube's axis (y = 3.2), where it is thin.
      fingers:
        role: clip
        within:
          all_of:
            - any_of:
                - prism: {polygon: [[2.4, 3.2], [23.6, 3.2], [23.6, 13], [2.4, 13]]}
                - mirror: x
            - thinner_than: 2.8
        load: {open_ring: {bore: 16, gap: 100, onto: 16, wall: 2.4, height: 14, friction: 0.3, printed: standing}}
        use: {times: 4, held: free, temperature: [-5, 50], years: 5}
        treat: gentle
      # The walls that the keys bear on. Their roofs are bridges; a treatment leaves the fan of those alone.
      key-slot:
        role: seat
        beads: perimeters
        within:
          any_of:
            - box: {x: [24.5, 32.5], y: [-12.5, -2.5], z: [4, 11]}
            - mirror: x
        load: {key: {width: 6, squeeze: 0.05, height: 4.8, length: 9, taper: 0.7}}
        use: {times: 2, held: strained, temperature: [-5, 50], years: 5}
        treat: {speed: {max: 30}}

  # Snug and easy are two parts: the easy one is 0.3 mm slimmer and has a notch in its head.
  wedge-key-snug:
    found_by:
      label: "wedge-key-snug*"
      outline:
@outline wedge-key-snug@
      height: 4.8
    regions: &shank
      shank:
        role: seat
        within:
          prism: {polygon: [[-3.5, 4], [3.5, 4], [3.5, @key length@], [-3.5, @key length@]]}
        load: {key: {width: 6, squeeze: 0.05, height: 4.8, length: 9, taper: 0.7}}
        use: {times: 2, held: strained, temperature: [-5, 50], years: 5}
        treat: {flow: {scale: 102%}, accel: {max: 1000}}

  wedge-key-easy:
    found_by:
      label: "wedge-key-easy*"
      outline:
@outline wedge-key-easy@
      height: 4.8
    regions: *shank

  shelf-hook:
    found_by:
      label: "shelf-hook*"
      outline:
@outline shelf-hook@
      height: 24
    regions:
      # A cantilever printed standing: it bends across its layers, and the layers decide. Here heat does help,
      # most at the root, where bending is greatest, and so does every layer being solid there: what the layers
      # weld to each other is what holds. The fan of 40 % is cut, and a short rest at each of these layers lets
      # the thin finger set, as it would need to on a plate of its own.
      finger:
        role: clip
        within:
          any_of:
            - box: {x: [-5, 5], y: [-3, 0.5], z: [4, 9]}
            - near: {point: [0, -0.6, 4], radius: 6.5}
        load: {cantilever: {length: 16, thickness: 2.4, width: 10, undercut: 1, lead: 30, back: 60,
                            printed: standing}}
        use: {times: 10, held: free, temperature: [-5, 50], years: 5}
        treat: [stout, {rest: {seconds: 2}}]

# Treatments of this kit hide the ones of the same name that come with Beadwright.
treatments:
  gentle: {speed: {scale: 80%}, accel: {max: 800}}
  packed: {flow: {scale: 104%, outer: true}}
  stout: {infill: solid, nozzle: {add: 8}, fan: {cap: 25%}}
"""


def hoophouse_kit() -> str:
    """Text of `hoophouse.kit.yaml`."""
    text = _TEMPLATE.replace("@key length@", f"{KEY_LENGTH_MM + 0.5:g}")
    return re.sub(r"@outline ([a-z-]+)@", lambda found: outline_text(found[1]), text)


def outline_text(name: str, indent: int = 8) -> str:
    """Rings of a part's outline as YAML, a few points a line, mm to a tenth of a micrometre."""
    blank = " " * indent
    rings = []
    for piece in polygons(part_named(name).outline):
        for ring in (piece.exterior, *piece.interiors):
            points = [f"[{x:.4f}, {y:.4f}]" for x, y in list(ring.coords)[:-1]]
            rows = [", ".join(points[at : at + 5]) for at in range(0, len(points), 5)]
            rings.append(f"{blank}- [" + f",\n{blank}   ".join(rows) + "]")
    return "\n".join(rings)
