// A layer made ready to be drawn: paths by paint and width, in mm, kept as long as nothing but the view changes.

/** Paints of a layer for a quantity: `list` of { fill, far, edge, hatch, dashed }, and `of(k)`, the place in it of bead k's. */
function paintsOf(state, layer, data, palette, range) {
  const list = [];
  const known = new Map();
  const put = (key, paint) => {
    if (!known.has(key)) known.set(key, list.push(paint()) - 1);
    return known.get(key);
  };
  const plain = (name, share) => ({ fill: palette.of(name), far: palette.far(name, share), edge: palette.of("edge") });
  const kinds = data.features.map((word) => TONES[word] ?? "else").map((tone) => put(tone, () => plain(tone)));
  const kind = (k) => kinds[layer.feature[k]];
  if (state.quantity === "change") {
    const told = put("told", () => toldPaint(layer, palette));
    return { list, of: (k) => (layer.flag[k] & TOLD ? told : kind(k)) };
  }
  if (state.quantity === "region") {
    const hatched = data.regions.map(({ hatch }) =>
      put(`region ${hatch}`, () => ({ ...plain(`hue-${hatch % HATCHES}`, 0.25), hatch })),
    );
    return { list, of: (k) => hatched[layer.region[k] - 1] ?? kind(k) };
  }
  const quantity = QUANTITIES[state.quantity];
  const unknown = put("unknown", () => ({
    fill: palette.of("paper"),
    far: palette.of("line"),
    edge: palette.of("quiet"),
  }));
  const steps = Array.from({ length: STEPS + 1 }, (_, step) =>
    put(step, () => {
      const fill = rgb(scaleColour(step / STEPS));
      return { fill, far: fill, edge: palette.of("edge") };
    }),
  );
  return {
    list,
    of: (k) => {
      const value = quantity.of(layer, k);
      return Number.isNaN(value)
        ? unknown
        : steps[clamp(Math.round(shareOf(state.quantity, range, value) * STEPS), 0, STEPS)];
    },
  };
}

function toldPaint(layer, palette) {
  if (layer.gone)
    return {
      fill: palette.of("paper"),
      far: palette.of("paper"),
      edge: palette.of("ghost"),
      dashed: palette.of("ink"),
    };
  return { fill: palette.of("new"), far: palette.of("new"), edge: palette.of("edge") };
}

/** Buckets { paint, width, path, faint } of a layer; `faint` lies outside of what is looked at. */
function sceneOf(state, layer, data, palette, range) {
  const { list, of } = paintsOf(state, layer, data, palette, range);
  const { n, x, y, flag, width, region } = layer;
  const looked = state.region ? 1 + data.regions.findIndex((one) => one.key === state.region) : 0;
  const buckets = new Map();
  let [last, lastKey, bucket] = [-1, -1, null];
  for (let k = 1; k < n; k++) {
    if (flag[k] & PEN_UP) continue;
    const faint = looked && region[k] !== looked ? 1 : 0;
    const paint = of(k);
    const key = (paint * 256 + width[k]) * 2 + faint;
    if (key !== lastKey) {
      bucket = buckets.get(key);
      if (!bucket)
        buckets.set(
          key,
          (bucket = { paint: list[paint], width: width[k] / 100, path: new Path2D(), faint: faint === 1 }),
        );
    }
    if (last !== k - 1 || lastKey !== key) bucket.path.moveTo(x[k - 1], y[k - 1]);
    bucket.path.lineTo(x[k], y[k]);
    last = k;
    lastKey = key;
  }
  return [...buckets.values()];
}

/** Where regions or instances lie on a layer, by number: { number, x, y, low, high } with the middle and the box, mm. */
function placesOf(layer, column) {
  const sums = Array.from({ length: 256 }, () => null);
  const { n, x, y, flag } = layer;
  const numbers = layer[column];
  for (let k = 1; k < n; k++) {
    const number = numbers[k];
    if (!number || flag[k] & PEN_UP) continue;
    const sum = (sums[number] ??= { x: 0, y: 0, weight: 0, x0: Infinity, y0: Infinity, x1: -Infinity, y1: -Infinity });
    const [ax, ay, bx, by] = [x[k - 1], y[k - 1], x[k], y[k]];
    const length = Math.sqrt((bx - ax) * (bx - ax) + (by - ay) * (by - ay));
    sum.x += (ax + bx) * 0.5 * length;
    sum.y += (ay + by) * 0.5 * length;
    sum.weight += length;
    sum.x0 = Math.min(sum.x0, ax, bx);
    sum.y0 = Math.min(sum.y0, ay, by);
    sum.x1 = Math.max(sum.x1, ax, bx);
    sum.y1 = Math.max(sum.y1, ay, by);
  }
  const places = new Map();
  sums.forEach((sum, number) => {
    if (!sum) return;
    const weight = sum.weight || 1;
    places.set(number, { number, x: sum.x / weight, y: sum.y / weight, low: [sum.x0, sum.y0], high: [sum.x1, sum.y1] });
  });
  return places;
}

/** The middle of a bead near (x, y) with this number in the column: where a leader may point. */
function anchorOf(layer, column, number, x, y) {
  let best = null;
  let least = Infinity;
  const numbers = layer[column];
  for (let k = 1; k < layer.n; k++) {
    if (numbers[k] !== number || layer.flag[k] & PEN_UP) continue;
    const dx = (layer.x[k - 1] + layer.x[k]) / 2 - x;
    const dy = (layer.y[k - 1] + layer.y[k]) / 2 - y;
    if (dx * dx + dy * dy < least) [least, best] = [dx * dx + dy * dy, [x + dx, y + dy]];
  }
  return best ?? [x, y];
}

const EDGE_SHARE = 0.1; // of a bead's width, each side: beads lap by about as much

/** Draw buckets; the context's transform maps mm to device pixels, `scale` of them a mm. */
function drawScene(context, buckets, scale, hatches) {
  const ordered = [...buckets].sort((a, b) => Number(b.faint) - Number(a.faint));
  for (const faint of [true, false]) {
    const mine = ordered.filter((bucket) => bucket.faint === faint);
    context.globalAlpha = faint ? 0.3 : 1;
    for (const { paint, width, path } of mine) {
      if (width * scale < 3) continue;
      context.lineWidth = width;
      context.strokeStyle = paint.edge;
      context.stroke(path);
    }
    for (const { paint, width, path } of mine) fillBead(context, paint, width, path, scale, hatches);
  }
  context.globalAlpha = 1;
}

function fillBead(context, paint, width, path, scale, hatches) {
  const wide = width * scale >= 3;
  const edge = wide ? clamp(width * EDGE_SHARE, 0.5 / scale, 3 / scale) : 0;
  context.lineWidth = Math.max(width - 2 * edge, 1 / scale);
  context.strokeStyle = wide ? paint.fill : paint.far;
  context.stroke(path);
  if (paint.hatch !== undefined && wide) {
    context.strokeStyle = hatches[paint.hatch % HATCHES];
    context.stroke(path);
  }
  if (paint.dashed) dashLine(context, path, paint.dashed, scale);
}

/** The centre line of beads that are gone. */
function dashLine(context, path, colour, scale) {
  context.lineCap = "butt";
  context.setLineDash([7 / scale, 5 / scale]);
  context.lineWidth = 1.6 / scale;
  context.strokeStyle = colour;
  context.stroke(path);
  context.setLineDash([]);
  context.lineCap = "round";
}
