// The part standing beside a scale of its height, and what holds for each layer as lines along it.

const BESIDE = {
  strength_mpa: { name: "strength across layers", unit: "MPa", banded: true },
  bond: { name: "bond, of a healed weld", unit: "", banded: true, most: 1 },
  age_s: { name: "age of the bead below", unit: "s" },
  time_s: { name: "time of the layer", unit: "s" },
};

const SLICE_MS = 8; // of work between two looks at what the reader does
const ALIKE = 0.97; // of the middle value: below it a layer stands out

class Strip {
  /** model: { data, state, stores }, choose(layer from 0). */
  constructor(svg, model, choose) {
    Object.assign(this, { svg, model, choose });
    this.outlines = new Map(); // instance -> { z: [low, high] of x in the part's frame, by layer }
    svg.addEventListener("pointerdown", (event) => {
      svg.setPointerCapture(event.pointerId);
      this.held = true;
      this.pointed(event);
    });
    svg.addEventListener("pointermove", (event) => (this.held ? this.pointed(event) : this.hovered(event)));
    svg.addEventListener("pointerleave", () => this.hovered(null));
    for (const name of ["pointerup", "pointercancel"]) svg.addEventListener(name, () => (this.held = false));
    new ResizeObserver(() => this.render()).observe(svg);
  }

  /** Columns of what stands: layers of the plate, tops in mm, before and after by quantity. */
  columns() {
    const { data, state, stores } = this.model;
    const instance = data.instances[state.instance];
    const told = instance && data.strip?.[instance.key];
    const side = stores.at(-1).side;
    const first = instance?.first_layer ?? 0;
    const last = instance?.last_layer ?? side.layers.z_mm.length - 1;
    const layer = told?.layer ?? Array.from({ length: last - first + 1 }, (_, k) => first + k);
    const base = instance?.z_mm ?? 0;
    const z = layer.map((k) => side.layers.z_mm[k] - base);
    return { instance, told, layer, z, base };
  }

  choices() {
    const { told } = this.columns();
    const known = told?.after ?? told?.before ?? {};
    return Object.keys(BESIDE).filter((key) => key === "time_s" || known[key]);
  }

  /** Lines of a quantity: [{ name, low, best, high }] with NaN where nobody knows. */
  lines(columns, key) {
    const { data, stores } = this.model;
    const clean = (list) => list?.map((value) => value ?? NaN);
    return data.sides
      .map((side, k) => {
        if (key === "time_s") {
          const offset = (layer) => stores[k].side.layers.time_s?.[layer] ?? NaN;
          return { name: side.name, best: columns.layer.map(offset) };
        }
        const values = columns.told?.[side.name]?.[key];
        if (!values) return null;
        if (!BESIDE[key].banded) return { name: side.name, best: clean(values) };
        return { name: side.name, best: clean(values.best), low: clean(values.low), high: clean(values.high) };
      })
      .filter(Boolean);
  }

  /** The place in the columns at an event's height. */
  under(event) {
    const z = this.y.z(event.clientY - this.svg.getBoundingClientRect().top);
    const { z: tops } = this.now;
    let k = 0;
    while (k < tops.length - 1 && tops[k] < z - 1e-9) k++;
    return k;
  }

  pointed(event) {
    if (this.y) this.choose(this.now.layer[this.under(event)]);
  }

  /** A height is only looked at: a fine line there, and its numbers below. */
  hovered(event) {
    if (!this.y) return;
    this.mark?.remove();
    const k = event ? this.under(event) : this.now.layer.indexOf(this.model.state.layer);
    if (event) {
      const y = this.y.toY((this.now.z[k] + (this.now.z[k - 1] ?? 0)) / 2);
      this.mark = draw("line", { x1: this.y.from, x2: this.svg.clientWidth, y1: y, y2: y, class: "axis" });
      this.svg.append(this.mark);
    }
    this.tell(k);
  }

  /** The numbers of a layer below the strip. */
  tell(k) {
    const { beside } = this.model.state;
    const lines = this.lines(this.now, beside);
    const rows = lines
      .map((line) => {
        const text = this.valueText(line, k);
        if (!text && lines.length < 2) return null;
        return make(
          "span",
          {},
          make("i", { class: "soft" }, lines.length > 1 ? line.name : BESIDE[beside].name),
          make("b", {}, text ?? "not known"),
        );
      })
      .filter(Boolean);
    if (k < 0) rows.length = 0;
    if (!rows.length)
      rows.push(
        make("span", { class: "soft" }, k < 0 ? "the part is not on this layer" : "nothing known of this layer"),
      );
    byId("beside-says").replaceChildren(...rows);
  }

  valueText(line, k) {
    const best = line.best[k];
    if (!Number.isFinite(best)) return null;
    const { unit } = BESIDE[this.model.state.beside];
    const band = line.low ? marginlessBand({ low: line.low[k], best, high: line.high[k] }) : figures(best);
    return unit ? `${band}\u00a0${unit}` : band;
  }

  render() {
    const { svg } = this;
    const [width, height] = [svg.clientWidth, svg.clientHeight];
    if (!width || !height) return;
    const columns = (this.now = this.columns());
    if (!columns.z.length) return;
    const top = columns.z.at(-1) || 1;
    const text = fontSize();
    const narrow = width < 170;
    const scaleWidth = (narrow ? 1.5 : 2.1) * text;
    const [head, foot] = [2.1 * text + 6, text * 0.9];
    const toY = (z) => height - foot - (z / top) * (height - head - foot);
    this.y = {
      from: scaleWidth + 12,
      z: (y) => clamp(((height - foot - y) / (height - head - foot)) * top, 0, top),
      toY,
    };
    const regions = this.regions(columns);
    const body = {
      x: scaleWidth + 12,
      width: narrow ? 14 : clamp(0.3 * (width - 40 - 1.25 * text * regions.length), 24, 64),
    };
    const bars = { x: body.x + body.width + 6, step: narrow ? 7 : 1.25 * text, width: narrow ? 5 : 11 };
    const plot = { x: bars.x + regions.length * bars.step + (narrow ? 4 : 8), y: head };
    plot.width = width - plot.x - 6;
    svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    svg.replaceChildren(
      ...this.drawScale(top, toY, scaleWidth, body, height, text),
      ...this.drawBody(columns, toY, body),
      ...regions.flatMap((region, k) =>
        this.drawRegion(region, toY, bars.x + k * bars.step, bars.width, !narrow, text),
      ),
      ...this.drawValues(columns, toY, plot, text),
      ...this.drawWeakest(columns, toY, body.x, width, text),
      ...this.drawHere(columns, toY, width, scaleWidth, text),
    );
    this.speak();
  }

  regions(columns) {
    if (!columns.instance) return [];
    const { part, instance } = columns.instance;
    return this.model.data.regions.filter((region) => region.part === part && region.instance === instance);
  }

  drawScale(top, toY, x, body, height, text) {
    const marks = [];
    for (const z of ticks(0, top, clamp(height / (3.2 * text), 2, 12))) {
      const y = toY(z);
      marks.push(draw("line", { x1: x + 4, x2: body.x - 2, y1: y, y2: y, class: "axis" }));
      marks.push(draw("text", { x, y: y + 0.35 * text, "text-anchor": "end", class: "soft" }, String(z)));
    }
    marks.push(draw("text", { x: 0, y: 0.9 * text, class: "soft" }, "mm"));
    return marks;
  }

  /** The part as it stands: how far its beads reach across, where that is known; else a bar. */
  drawBody(columns, toY, body) {
    const outline = this.outlines.get(this.model.state.instance);
    const base = draw("line", {
      x1: body.x - 4,
      x2: body.x + body.width + 4,
      y1: toY(0) + 0.5,
      y2: toY(0) + 0.5,
      class: "ink",
    });
    if (!outline) {
      const top = toY(columns.z.at(-1));
      return [draw("rect", { x: body.x, y: top, width: body.width, height: toY(0) - top, class: "body" }), base];
    }
    const low = Math.min(...outline.map((row) => row.low));
    const high = Math.max(...outline.map((row) => row.high));
    const x = (value) => Math.round(body.x + ((value - low) / (high - low || 1)) * body.width) + 0.5;
    const right = [];
    const left = [];
    let below = 0;
    for (const row of steadied(outline, 0.02 * (high - low))) {
      right.push(`${x(row.high)} ${toY(below).toFixed(1)}`, `${x(row.high)} ${toY(row.z).toFixed(1)}`);
      left.push(`${x(row.low)} ${toY(below).toFixed(1)}`, `${x(row.low)} ${toY(row.z).toFixed(1)}`);
      below = row.z;
    }
    return [draw("path", { d: `M${[...right, ...left.reverse()].join("L")}Z`, class: "body" }), base];
  }

  drawRegion(region, toY, x, width, named, text) {
    const [low, high] = region.z_mm;
    const [y, bottom] = [toY(high), toY(low)];
    const parts = hatchBox(region.hatch, x, y, width, Math.max(2, bottom - y));
    if (named && bottom - y > 0.62 * text * region.region.length) {
      const at = [x + width / 2 + 0.35 * text, (y + bottom) / 2];
      parts.push(
        draw(
          "text",
          { x: at[0], y: at[1], class: "halo", "text-anchor": "middle", transform: `rotate(-90 ${at[0]} ${at[1]})` },
          region.region,
        ),
      );
    }
    parts.push(draw("title", {}, `${region.region}, ${mm(low)} to ${mm(high)} mm`));
    const group = draw("g");
    group.append(...parts);
    return [group];
  }

  drawValues(columns, toY, plot, text) {
    const key = this.model.state.beside;
    const lines = this.lines(columns, key);
    const values = lines.flatMap((line) => [...(line.high ?? line.best)]).filter(Number.isFinite);
    if (!values.length || plot.width < 24) return [];
    const most = mostShown(key, values);
    const x = (value) => plot.x + Math.min(1, value / most) * plot.width;
    const parts = [];
    const marks = ticks(0, most, Math.max(2.2, plot.width / (3 * text)));
    const longest = Math.max(...marks.map((value) => value.toLocaleString("en").length));
    const stride = Math.ceil(((0.6 * longest + 0.8) * text * marks.length) / plot.width);
    marks.forEach((value, k) => {
      parts.push(draw("line", { x1: x(value), x2: x(value), y1: plot.y - 4, y2: toY(0), class: "rule" }));
      if (k % stride) return;
      const anchor = k === 0 ? "start" : x(value) > plot.x + plot.width - text ? "end" : "middle";
      parts.push(
        draw("text", { x: x(value), y: plot.y - 8, "text-anchor": anchor, class: "soft" }, value.toLocaleString("en")),
      );
    });
    parts.push(
      draw(
        "text",
        { x: plot.x + plot.width, y: 0.9 * text, "text-anchor": "end", class: "soft" },
        BESIDE[key].unit || "healed = 1",
      ),
    );
    const path = (list) => linePath(list.map(x), columns.z.map(toY));
    for (const line of lines) {
      const last = line === lines.at(-1);
      if (line.low && last)
        parts.push(draw("path", { d: bandPath(line.low.map(x), line.high.map(x), columns.z.map(toY)), class: "band" }));
    }
    for (const line of lines)
      parts.push(draw("path", { d: path(line.best), class: line === lines.at(-1) ? "thick" : "thin" }));
    return parts;
  }

  /** The layer with the least of what is shown: { k, plain } where it hardly differs from the others; or null. */
  weakest(columns, within = [-Infinity, Infinity]) {
    const key = this.model.state.beside;
    const told = key === "strength_mpa" || key === "bond" ? this.lines(columns, key).at(-1)?.best : null;
    const best = told?.map((value, k) => (columns.z[k] >= within[0] && columns.z[k] <= within[1] + 0.5 ? value : NaN));
    const known = best?.filter(Number.isFinite).sort((a, b) => a - b);
    if (!known?.length) return null;
    return { k: best.indexOf(known[0]), plain: known[0] > ALIKE * known[known.length >> 1] };
  }

  drawWeakest(columns, toY, from, width, text) {
    const found = this.weakest(columns);
    if (!found) return [];
    const { k, plain } = found;
    const y = toY((columns.z[k] + (columns.z[k - 1] ?? 0)) / 2);
    const side = y > toY(0) - 2 * text ? -0.4 * text : 1.1 * text;
    const words = this.svg.clientWidth < 170 ? "weakest" : `weakest: layer ${columns.layer[k] + 1}`;
    return [
      draw("line", { x1: from - 4, x2: width, y1: y, y2: y, class: plain ? "axis" : "accent" }),
      draw(
        "text",
        { x: width - 4, y: y + side, "text-anchor": "end", class: `${plain ? "soft" : "look"} halo` },
        words,
      ),
    ];
  }

  drawHere(columns, toY, width, scaleWidth, text) {
    const { state } = this.model;
    const k = columns.layer.indexOf(state.layer);
    const above = state.layer > (columns.layer.at(-1) ?? 0);
    const z = k >= 0 ? columns.z[k] : above ? columns.z.at(-1) : 0;
    const low = k > 0 ? columns.z[k - 1] : 0;
    const y = k >= 0 ? toY((z + low) / 2) : toY(z);
    const size = 0.45 * text;
    const pointer = `M${scaleWidth + 12} ${y}l${-size * 1.5} ${-size}v${2 * size}z`;
    const parts = [draw("path", { d: pointer, class: "solid" })];
    if (k < 0) return parts;
    parts.unshift(draw("line", { x1: scaleWidth + 12, x2: width, y1: y, y2: y, class: "ink", "stroke-width": 1.4 }));
    return parts;
  }

  /** For screen readers: the slider's value in words. */
  speak() {
    const { state, stores } = this.model;
    const count = stores.at(-1).count;
    const columns = this.now;
    const k = columns.layer.indexOf(state.layer);
    const said = this.lines(columns, state.beside)
      .map((line) => [line.name, this.valueText(line, k)])
      .filter(([, text]) => text)
      .map((pair) => pair.join(" "));
    this.tell(k);
    const height = stores.at(-1).side.layers.z_mm[state.layer] ?? 0;
    const words = [`layer ${state.layer + 1} of ${count}`, `nozzle at ${mm(height)} mm`];
    if (said.length) words.push(`${BESIDE[state.beside].name}: ${said.join(", ")}`);
    for (const [name, value] of [
      ["valuemin", 1],
      ["valuemax", count],
      ["valuenow", state.layer + 1],
      ["valuetext", words.join(", ")],
    ]) {
      this.svg.setAttribute(`aria-${name}`, value);
    }
  }

  /** Look at some layers in idle time: how far the part reaches across on each. */
  async survey(number) {
    const { data, stores, state } = this.model;
    if (this.outlines.has(number)) return;
    const instance = data.instances[number];
    // A store of its own, so that what is shown and near stays unpacked.
    const store = new Store(stores.at(-1).side);
    const frame = new Frame(instance);
    const [first, end] = instance ? [instance.first_layer, instance.last_layer] : [0, store.count - 1];
    const skirt = data.features.indexOf("skirt");
    const span = end - first + 1;
    const heavy = (store.side.points ?? 0) > 1.5e6;
    const step = Math.max(1, Math.ceil(span / (heavy ? 24 : 160)));
    const rows = [];
    let begun = performance.now();
    for (let k = first; k <= end; k += step) {
      if (performance.now() - begun > SLICE_MS) {
        await idle();
        begun = performance.now();
      }
      if (state.instance !== number) return;
      const layer = await store.layer(k);
      const row = layer && reach(layer, number + 1, frame, skirt);
      const top = Math.min(k + step - 1, end);
      if (row) rows.push({ ...row, z: store.side.layers.z_mm[top] - frame.z });
    }
    if (!rows.length) return;
    this.outlines.set(number, rows);
    this.render();
  }
}

function marginlessBand(band) {
  return `${figures(band.best)} (${figures(band.low)} to ${figures(band.high)})`;
}

function idle() {
  return new Promise((done) =>
    window.requestIdleCallback ? requestIdleCallback(done, { timeout: 100 }) : setTimeout(done, 8),
  );
}

/** Rows of an outline without what the fill makes of it: a change smaller than `least` mm is none. */
function steadied(rows, least) {
  let last = rows[0];
  return rows.map((row) => {
    const end = (key) => (Math.abs(row[key] - last[key]) < least ? last[key] : row[key]);
    last = { z: row.z, low: end("low"), high: end("high") };
    return last;
  });
}

/** The largest value that the plot has room for: of times not that of one layer that takes ten times what others do. */
function mostShown(key, values) {
  const most = Math.max(...values) * 1.02;
  if (BESIDE[key].most) return BESIDE[key].most;
  if (BESIDE[key].banded) return most;
  const sorted = [...values].sort((a, b) => a - b);
  return Math.min(most, 2 * sorted[Math.floor(0.95 * (sorted.length - 1))] || most);
}

/** How far an instance's beads (0: all but the skirt's) reach across in its own x on a layer, or null. */
function reach(layer, number, frame, skirt) {
  let [low, high] = [Infinity, -Infinity];
  for (let k = 0; k < layer.n; k++) {
    if (number ? layer.instance[k] !== number : layer.feature[k] === skirt) continue;
    const [x] = frame.toPart(layer.x[k], layer.y[k]);
    const half = layer.width[k] / 200;
    if (x - half < low) low = x - half;
    if (x + half > high) high = x + half;
  }
  return low < high ? { low, high } : null;
}

/** A path through points, broken where x is unknown. */
function linePath(x, y) {
  let pen = false;
  const parts = [];
  x.forEach((value, k) => {
    if (Number.isFinite(value)) parts.push(`${pen ? "L" : "M"}${value.toFixed(1)} ${y[k].toFixed(1)}`);
    pen = Number.isFinite(value);
  });
  return parts.join("");
}

/** The area between two lines, broken where either is unknown. */
function bandPath(low, high, y) {
  const parts = [];
  let run = [];
  const close = () => {
    if (run.length > 1) {
      const there = run.map((k) => `${low[k].toFixed(1)} ${y[k].toFixed(1)}`);
      const back = run.map((k) => `${high[k].toFixed(1)} ${y[k].toFixed(1)}`).reverse();
      parts.push(`M${[...there, ...back].join("L")}Z`);
    }
    run = [];
  };
  low.forEach((value, k) => (Number.isFinite(value) && Number.isFinite(high[k]) ? run.push(k) : close()));
  close();
  return parts.join("");
}
