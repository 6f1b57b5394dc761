// What beads are painted with: tones for kinds, hatches for regions, one even scale for quantities.

// Sixteenths of the cividis scale (Nunez, Anderton and Renslow 2018, PLOS ONE 13(7) e0199239; table of matplotlib).
const SCALE = [
  "00224e",
  "002e6a",
  "1a386f",
  "32436d",
  "434e6c",
  "535a6d",
  "61656f",
  "6f7073",
  "7d7c78",
  "8c8878",
  "9b9476",
  "aba072",
  "bcae6c",
  "cdbb63",
  "dec958",
  "f0d846",
  "fee838",
].map((hex) => [0, 2, 4].map((at) => parseInt(hex.slice(at, at + 2), 16)));
const STEPS = 24;
const HATCHES = 6;

const QUANTITIES = {
  change: { name: "what changed" },
  region: { name: "regions" },
  bond: {
    name: "bond, of a healed weld",
    unit: "",
    fixed: [0, 1],
    of: (layer, k) => (layer.bond[k] === UNKNOWN_BOND ? NaN : layer.bond[k] / 250),
  },
  age: {
    name: "age of the bead below",
    unit: "s",
    logs: true,
    of: (layer, k) => (layer.age[k] === UNKNOWN_AGE ? NaN : Math.expm1(layer.age[k] / 1000)),
  },
  nozzle: { name: "nozzle reached", unit: "\u00b0C", of: (layer, k) => layer.nozzle[k] / 10 || NaN, least: 4 },
  feed: { name: "feed", unit: "mm/s", of: (layer, k) => layer.feed[k] / 10, zero: true },
  rate: { name: "flow", unit: "mm\u00b3/s", of: (layer, k) => layer.rate[k] / 100, zero: true },
};

const FEATURE_WORDS = {
  none: "bead",
  outermost: "outermost perimeter",
  perimeter: "perimeter",
  solid: "solid fill",
  sparse: "sparse fill",
  bridge: "bridge",
  overhang: "overhang",
  gap: "gap fill",
  support: "support",
  skirt: "skirt",
  tower: "tower",
  other: "bead of another kind",
  travel: "travel",
  retraction: "retraction",
  start: "start code",
  end: "end code",
  heating: "heating up",
  tools: "tool changes",
  rest: "in no region",
};
const TONES = {
  outermost: "outermost",
  perimeter: "perimeter",
  overhang: "perimeter",
  solid: "solid",
  bridge: "solid",
  gap: "solid",
  sparse: "sparse",
};

function mixed(a, b, share) {
  return a.map((value, k) => Math.round(value + (b[k] - value) * share));
}

function rgb(channels) {
  return `rgb(${channels.join(" ")})`;
}

/** The scale's colour at a share from 0 to 1. */
function scaleColour(share) {
  const at = clamp(share, 0, 1) * (SCALE.length - 1);
  const k = Math.min(SCALE.length - 2, Math.floor(at));
  return mixed(SCALE[k], SCALE[k + 1], at - k);
}

/** Colours as the style sheet has them now (light, dark or print). */
class Palette {
  constructor() {
    this.style = getComputedStyle(document.documentElement);
    this.known = new Map();
  }

  of(name) {
    if (!this.known.has(name)) this.known.set(name, this.style.getPropertyValue(`--${name}`).trim());
    return this.known.get(name);
  }

  channels(name) {
    const hex = this.of(name);
    return [1, 3, 5].map((at) => parseInt(hex.slice(at, at + 2), 16));
  }

  /** A tone drawn so small that its edge has no room: nearer to the edge's colour. */
  far(name, share = 0.55) {
    return rgb(mixed(this.channels(name), this.channels("edge"), share));
  }
}

/** Lines of a hatch in a square of side 1, as [x1, y1, x2, y2]. */
function hatchLines(number) {
  return [
    [[0, 1, 1, 0]],
    [[0, 0, 1, 1]],
    [[0, 0.5, 1, 0.5]],
    [[0.5, 0, 0.5, 1]],
    [
      [0, 1, 1, 0],
      [0, 0, 1, 1],
    ],
    [
      [0.4, 0.5, 0.6, 0.5],
      [0.9, 0, 1, 0],
      [0, 0, 0.1, 0],
      [0.9, 1, 1, 1],
      [0, 1, 0.1, 1],
    ],
  ][number % HATCHES];
}

/** A square of hatch as a pattern for a canvas, `side` device pixels wide. */
function hatchPattern(context, number, colour, side, width) {
  const tile = document.createElement("canvas");
  tile.width = tile.height = side;
  const pen = tile.getContext("2d");
  pen.strokeStyle = colour;
  pen.lineWidth = width;
  pen.lineCap = "square";
  for (const [x1, y1, x2, y2] of hatchLines(number)) {
    pen.beginPath();
    pen.moveTo(x1 * side, y1 * side);
    pen.lineTo(x2 * side, y2 * side);
    pen.stroke();
  }
  return context.createPattern(tile, "repeat");
}

/** A swatch for legends and cards: a hatch over its hue. */
function hatchSwatch(number) {
  const svg = draw("svg", { class: "hatch", viewBox: "0 0 22 14", "aria-hidden": "true" });
  svg.append(...hatchBox(number, 0.5, 0.5, 21, 13));
  return svg;
}

/** A hatched box as elements, clipped by arithmetic so that it needs no ids. */
function hatchBox(number, x, y, width, height) {
  const back = draw("rect", { x, y, width, height, fill: `var(--hue-${number % HATCHES})`, class: "body" });
  back.style.fill = `var(--hue-${number % HATCHES})`;
  const side = 7;
  const parts = [];
  for (let left = 0; left < width; left += side) {
    for (let top = 0; top < height; top += side) {
      for (const line of hatchLines(number)) {
        const [a, b] = [line.slice(0, 2), line.slice(2)].map(([u, v]) => [left + u * side, top + v * side]);
        const cut = clipped(a, b, width, height);
        if (cut)
          parts.push(
            `M${(x + cut[0][0]).toFixed(1)} ${(y + cut[0][1]).toFixed(1)}L${(x + cut[1][0]).toFixed(1)} ${(y + cut[1][1]).toFixed(1)}`,
          );
      }
    }
  }
  return [back, draw("path", { d: parts.join(""), class: "ink", "stroke-width": 0.7 })];
}

/** A line inside [0, width] by [0, height], or null (Liang and Barsky). */
function clipped([ax, ay], [bx, by], width, height) {
  let [t0, t1] = [0, 1];
  const sides = [
    [ax - bx, ax],
    [bx - ax, width - ax],
    [ay - by, ay],
    [by - ay, height - ay],
  ];
  for (const [p, q] of sides) {
    if (p === 0 && q < 0) return null;
    if (p < 0) t0 = Math.max(t0, q / p);
    if (p > 0) t1 = Math.min(t1, q / p);
  }
  if (t0 > t1) return null;
  return [t0, t1].map((t) => [ax + t * (bx - ax), ay + t * (by - ay)]);
}

/** What a quantity reaches over layers: { low, high, known, unknown }, rounded outward to its ticks. */
function rangeOf(name, layers, told) {
  const quantity = QUANTITIES[name];
  let [low, high, unknown] = [Infinity, -Infinity, false];
  for (const layer of layers) {
    for (let k = 0; k < layer.n; k++) {
      if (layer.flag[k] & PEN_UP) continue;
      const value = quantity.of(layer, k);
      if (Number.isNaN(value)) unknown = true;
      else {
        if (value < low) low = value;
        if (value > high) high = value;
      }
    }
  }
  const known = low <= high;
  if (told) [low, high] = told;
  if (quantity.fixed) [low, high] = quantity.fixed;
  if (!known) return { low: 0, high: 1, known, unknown };
  if (quantity.zero) low = 0;
  if (quantity.logs) return { low: Math.max(0, low), high: Math.max(high, low + 1), known, unknown };
  const short = (quantity.least ?? 0) - (high - low);
  if (short > 0) [low, high] = [low - short / 2, high + short / 2];
  if (!(high > low)) high = low + 1;
  return { low, high, known, unknown };
}

/** Where a value lies on its scale, 0 to 1. */
function shareOf(name, range, value) {
  const bend = QUANTITIES[name].logs ? Math.log1p : (v) => v;
  return (bend(value) - bend(range.low)) / (bend(range.high) - bend(range.low) || 1);
}
