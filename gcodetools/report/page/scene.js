// A layer made ready to be drawn: paths by paint and width, in mm, kept as long as nothing but the view changes.

/** Paints of a layer for a quantity: { key: { fill, far, edge, hatch, dashed } } and which one bead k has. */
function paintsOf(state, layer, data, palette, range) {
  const paints = new Map();
  const put = (key, paint) => {
    if (!paints.has(key)) paints.set(key, paint());
    return key;
  };
  const kind = (k) => {
    const tone = TONES[data.features[layer.feature[k]]] ?? "else";
    return put(tone, () => ({ fill: palette.of(tone), far: palette.far(tone), edge: palette.of("edge") }));
  };
  if (state.quantity === "change") {
    return { paints, of: (k) => (layer.flag[k] & TOLD ? put("told", () => toldPaint(layer, palette)) : kind(k)) };
  }
  if (state.quantity === "region") {
    return {
      paints,
      of: (k) => {
        const region = data.regions[layer.region[k] - 1];
        if (!region) return kind(k);
        const hue = `hue-${region.hatch % HATCHES}`;
        return put(`region ${region.hatch}`, () => ({
          fill: palette.of(hue), far: palette.far(hue, 0.25), edge: palette.of("edge"), hatch: region.hatch,
        }));
      },
    };
  }
  const quantity = QUANTITIES[state.quantity];
  return {
    paints,
    of: (k) => {
      const value = quantity.of(layer, k);
      if (Number.isNaN(value)) {
        return put("unknown", () => ({ fill: palette.of("paper"), far: palette.of("line"), edge: palette.of("quiet") }));
      }
      const step = clamp(Math.round(shareOf(state.quantity, range, value) * STEPS), 0, STEPS);
      return put(step, () => {
        const fill = rgb(scaleColour(step / STEPS));
        return { fill, far: fill, edge: palette.of("edge") };
      });
    },
  };
}

function toldPaint(layer, palette) {
  if (layer.gone) return { fill: palette.of("paper"), far: palette.of("paper"), edge: palette.of("ghost"), dashed: palette.of("ink") };
  return { fill: palette.of("new"), far: palette.of("new"), edge: palette.of("edge") };
}

/** Buckets { paint, width, path, faint } of a layer, thin paints first; `faint` lies outside of what is looked at. */
function sceneOf(state, layer, data, palette, range) {
  const { paints, of } = paintsOf(state, layer, data, palette, range);
  const buckets = new Map();
  let [last, lastKey] = [-1, null];
  for (let k = 1; k < layer.n; k++) {
    if (layer.flag[k] & PEN_UP) continue;
    const faint = isFaint(state, layer, k, data);
    const key = `${of(k)}|${layer.width[k]}|${faint ? 1 : 0}`;
    let bucket = buckets.get(key);
    if (!bucket) {
      bucket = { paint: paints.get(of(k)), width: layer.width[k] / 100, path: new Path2D(), faint };
      buckets.set(key, bucket);
    }
    if (last !== k - 1 || lastKey !== key) bucket.path.moveTo(layer.x[k - 1], layer.y[k - 1]);
    bucket.path.lineTo(layer.x[k], layer.y[k]);
    [last, lastKey] = [k, key];
  }
  return [...buckets.values()];
}

function isFaint(state, layer, k, data) {
  if (state.region) return data.regions[layer.region[k] - 1]?.key !== state.region;
  return false;
}

/** Where regions and instances lie on a layer: [{ key, x, y, low, high }] with the middle and the box, mm. */
function placesOf(layer, column) {
  const places = new Map();
  for (let k = 1; k < layer.n; k++) {
    const number = layer[column][k];
    if (!number || layer.flag[k] & PEN_UP) continue;
    let place = places.get(number);
    if (!place) {
      place = { number, x: 0, y: 0, weight: 0, low: [Infinity, Infinity], high: [-Infinity, -Infinity] };
      places.set(number, place);
    }
    const [ax, ay, bx, by] = [layer.x[k - 1], layer.y[k - 1], layer.x[k], layer.y[k]];
    const length = Math.hypot(bx - ax, by - ay);
    place.x += ((ax + bx) / 2) * length;
    place.y += ((ay + by) / 2) * length;
    place.weight += length;
    place.low = [Math.min(place.low[0], ax, bx), Math.min(place.low[1], ay, by)];
    place.high = [Math.max(place.high[0], ax, bx), Math.max(place.high[1], ay, by)];
  }
  for (const place of places.values()) {
    place.x /= place.weight || 1;
    place.y /= place.weight || 1;
  }
  return places;
}

/** The middle of a bead near (x, y) with this number in the column: where a leader may point. */
function anchorOf(layer, column, number, x, y) {
  let best = null;
  for (let k = 1; k < layer.n; k++) {
    if (layer[column][k] !== number || layer.flag[k] & PEN_UP) continue;
    const at = [(layer.x[k - 1] + layer.x[k]) / 2, (layer.y[k - 1] + layer.y[k]) / 2];
    const away = Math.hypot(at[0] - x, at[1] - y);
    if (!best || away < best.away) best = { away, at };
  }
  return best?.at ?? [x, y];
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
  context.lineWidth = Math.max(width - 2 * edge, 0.6 / scale);
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
