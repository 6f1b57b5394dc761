// Layers of a side: inflated when shown, kept while near, and what stands at a point of them.

const PEN_UP = 1;
const TOLD = 2; // added (after) or removed (before)
const UNKNOWN_AGE = 65535;
const UNKNOWN_BOND = 255;
const KEPT_CHUNKS = 6;

const BYTE_COLUMNS = ["flag", "feature", "region", "instance", "width", "height"];
const WORD_COLUMNS = ["feed", "rate", "nozzle", "age"];

/** Bytes of raw deflate (RFC 1951), given as base64. */
async function inflated(text) {
  const packed = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate-raw"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

/** A layer out of bytes: columns by name, coordinates in mm; `next` is where the layer after it begins. */
function layerAt(bytes, offset, unit) {
  const view = new DataView(bytes.buffer, bytes.byteOffset);
  const n = view.getUint32(offset, true);
  let x = view.getInt32(offset + 4, true);
  let y = view.getInt32(offset + 8, true);
  let at = offset + 12;
  const byteColumn = () => bytes.subarray(at, (at += n));
  const wordColumn = (signed) => {
    const low = byteColumn();
    const high = byteColumn();
    const column = signed ? new Int16Array(n) : new Uint16Array(n);
    for (let k = 0; k < n; k++) column[k] = low[k] | (high[k] << 8);
    return column;
  };
  const dx = wordColumn(true);
  const dy = wordColumn(true);
  const layer = { n, x: new Float32Array(n), y: new Float32Array(n), beads: 0 };
  for (const name of BYTE_COLUMNS) layer[name] = byteColumn();
  for (const name of WORD_COLUMNS) layer[name] = wordColumn(false);
  layer.bond = byteColumn();
  for (let k = 0; k < n; k++) {
    x += dx[k];
    y += dy[k];
    layer.x[k] = x * unit;
    layer.y[k] = y * unit;
    if (!(layer.flag[k] & PEN_UP)) layer.beads++;
  }
  layer.next = at;
  return layer;
}

/** Layers of one side, by number from 0. */
class Store {
  constructor(side) {
    this.side = side;
    this.count = side.layers.z_mm.length;
    this.chunks = new Map(); // number of the chunk -> promise of its layers
  }

  chunkOf(k) {
    const chunks = this.side.chunks;
    let low = 0;
    let high = chunks.length - 1;
    while (low < high) {
      const middle = (low + high + 1) >> 1;
      if (chunks[middle][0] <= k) low = middle;
      else high = middle - 1;
    }
    return low;
  }

  async layer(k) {
    const number = this.chunkOf(k);
    const [first, count] = this.side.chunks[number] ?? [0, 0];
    if (!this.side.chunks.length || k < first || k >= first + count) return null;
    let promise = this.chunks.get(number);
    if (!promise) promise = this.unpack(number);
    this.chunks.delete(number); // the one used last stands last
    this.chunks.set(number, promise);
    this.forget();
    return (await promise)[k - first];
  }

  async unpack(number) {
    const [first, count, text] = this.side.chunks[number];
    const bytes = await inflated(text);
    const layers = [];
    let at = 0;
    for (let k = 0; k < count; k++) {
      layers.push(layerAt(bytes, at, this.side.unit_mm));
      at = layers[k].next;
    }
    return layers;
  }

  forget() {
    for (const number of this.chunks.keys()) {
      if (this.chunks.size <= KEPT_CHUNKS) return;
      this.chunks.delete(number);
    }
  }

  /** Unpack what a step up or down would need. */
  prefetch(k) {
    for (const near of [k + 1, k - 1]) if (near >= 0 && near < this.count) this.layer(near).catch(() => {});
  }
}

/** The bead nearest to a place, mm: { k, t } with the number of its end point; null if none is within reach. */
function nearest(layer, x, y, reach) {
  let best = null;
  let least = Infinity;
  for (let k = 1; k < layer.n; k++) {
    if (layer.flag[k] & PEN_UP) continue;
    const bx = layer.x[k] - layer.x[k - 1];
    const by = layer.y[k] - layer.y[k - 1];
    const px = x - layer.x[k - 1];
    const py = y - layer.y[k - 1];
    const t = clamp((px * bx + py * by) / (bx * bx + by * by || 1), 0, 1);
    const [dx, dy] = [px - t * bx, py - t * by];
    const most = reach + layer.width[k] * 0.005;
    const away = dx * dx + dy * dy;
    if (away < least && away <= most * most) [least, best] = [away, { k, t }];
  }
  return best;
}

/** The next bead's number from k by steps of 1 or -1; k itself at the end. */
function beadFrom(layer, k, step) {
  for (let j = k + step; j > 0 && j < layer.n; j += step) if (!(layer.flag[j] & PEN_UP)) return j;
  return k;
}

/** The first bead of an instance by its number, or of the layer where it has none; 0 where there is none at all. */
function firstBead(layer, number) {
  let first = 0;
  for (let k = layer.n - 1; k > 0; k--) {
    if (layer.flag[k] & PEN_UP) continue;
    if (layer.instance[k] === number || layer.instance[first] !== number) first = k;
  }
  return first;
}

/** Between the plate's frame and that of an instance of a part. */
class Frame {
  constructor(instance) {
    const turn = ((instance?.turn_deg ?? 0) * Math.PI) / 180;
    this.c = Math.cos(turn);
    this.s = Math.sin(turn);
    this.x = instance?.x_mm ?? 0;
    this.y = instance?.y_mm ?? 0;
    this.z = instance?.z_mm ?? 0;
    this.scale = instance?.scale ?? 1;
    this.flip = instance?.mirrored ? -1 : 1;
  }

  toPart(x, y) {
    const dx = x - this.x;
    const dy = y - this.y;
    return [(this.flip * (this.c * dx + this.s * dy)) / this.scale, (this.c * dy - this.s * dx) / this.scale];
  }

  toPlate(x, y) {
    const px = this.flip * x * this.scale;
    const py = y * this.scale;
    return [this.x + this.c * px - this.s * py, this.y + this.s * px + this.c * py];
  }
}
