// The layer on its canvas: one panel or two with the same view; zoom, pan, and what the pointer is at.

const ZOOM_STEP = 1.25;
const LARGEST = 400; // px a mm
const REACH_PX = 7;
const SCROLLING_MS = 400;

class LayerView {
  /** model: { data, state, shown() -> [{ name, layer, ghost }], frame(), overlay(panel, pen) }, told: what happens. */
  constructor(canvas, model, told) {
    Object.assign(this, { canvas, model, told });
    this.context = canvas.getContext("2d");
    this.view = null; // middle x, y in mm and px a mm
    this.pointers = new Map();
    this.at = null; // { panel, x, y } in mm
    this.bead = null; // { name, k, t }
    this.tool = null; // takes the pointer while a region is drawn
    this.scenes = [];
    this.scrolled = 0;
    this.listen();
    new ResizeObserver(() => this.resized()).observe(canvas.parentElement);
  }

  listen() {
    const on = (name, call, options) => this.canvas.addEventListener(name, call, options);
    window.addEventListener("scroll", () => (this.scrolled = performance.now()), { passive: true });
    on("wheel", (event) => this.wheel(event), { passive: false });
    on("pointerdown", (event) => this.down(event));
    on("pointermove", (event) => this.move(event));
    on("pointerup", (event) => this.up(event));
    on("pointercancel", (event) => this.up(event));
    // A lifted finger leaves what it has read.
    on("pointerleave", (event) => event.pointerType === "touch" || this.pointers.size || this.point(null));
    on("dblclick", (event) => (this.tool ? this.tool.finish() : this.zoomAt(this.place(event), ZOOM_STEP ** 3)));
  }

  // Size and view.

  resized() {
    const box = this.canvas.parentElement.getBoundingClientRect();
    this.ratio = Math.min(3, window.devicePixelRatio || 1);
    if (!box.width || !box.height) return;
    const fitted = this.isFitted();
    this.canvas.width = Math.round(box.width * this.ratio);
    this.canvas.height = Math.round(box.height * this.ratio);
    [this.width, this.height] = [box.width, box.height];
    if (fitted) this.fit();
    else this.render();
  }

  /** Panels as boxes in px: { x, y, width, height, name }. */
  panels() {
    const shown = this.model.shown();
    if (shown.length < 2) return [{ x: 0, y: 0, width: this.width, height: this.height, ...shown[0] }];
    const across = this.width >= 0.9 * this.height;
    const [width, height] = across ? [this.width / 2, this.height] : [this.width, this.height / 2];
    return shown.map((one, k) => ({ x: across ? k * width : 0, y: across ? 0 : k * height, width, height, ...one }));
  }

  /** Show a box of the plate, mm; without one what is fitted anyway. */
  fit(box = this.box) {
    if (!box) return;
    this.box = box;
    if (!this.width) return;
    const [panel] = this.panels();
    const margins = [Math.min(100, 0.15 * panel.width), Math.min(56, 0.11 * panel.height)];
    const spans = [box[2] - box[0], box[3] - box[1]].map((span) => Math.max(span, 1));
    const scale = Math.min((panel.width - 2 * margins[0]) / spans[0], (panel.height - 2 * margins[1]) / spans[1]);
    this.fitted = scale;
    this.view = { x: (box[0] + box[2]) / 2, y: (box[1] + box[3]) / 2, scale };
    this.changed();
  }

  isFitted() {
    return !this.view || (this.view.scale === this.fitted && !this.moved);
  }

  changed() {
    this.moved =
      this.box &&
      Math.hypot(this.view.x - (this.box[0] + this.box[2]) / 2, this.view.y - (this.box[1] + this.box[3]) / 2) > 1e-6;
    // A finger scrolls the page over a layer that is seen whole, and moves one that is not.
    this.canvas.style.touchAction = this.tool || !this.isFitted() ? "none" : "pan-y";
    this.render();
  }

  zoomAt(place, factor) {
    const { view } = this;
    const scale = clamp(view.scale * factor, 0.5 * this.fitted, LARGEST);
    const share = view.scale / scale;
    view.x = place.x + (view.x - place.x) * share;
    view.y = place.y + (view.y - place.y) * share;
    view.scale = scale;
    this.changed();
  }

  zoom(factor) {
    this.zoomAt(this.view, factor);
  }

  pan(dx, dy) {
    this.view.x -= dx / this.view.scale;
    this.view.y += dy / this.view.scale;
    this.changed();
  }

  toScreen(panel, x, y) {
    const { view } = this;
    return [
      panel.x + panel.width / 2 + (x - view.x) * view.scale,
      panel.y + panel.height / 2 - (y - view.y) * view.scale,
    ];
  }

  /** Where an event is: { panel, x, y } with mm of the plate. */
  place(event) {
    const box = this.canvas.getBoundingClientRect();
    const [px, py] = [event.clientX - box.left, event.clientY - box.top];
    const panels = this.panels();
    const panel =
      panels.find((one) => px >= one.x && px < one.x + one.width && py >= one.y && py < one.y + one.height) ??
      panels[0];
    const x = this.view.x + (px - panel.x - panel.width / 2) / this.view.scale;
    const y = this.view.y - (py - panel.y - panel.height / 2) / this.view.scale;
    return { panel, x, y };
  }

  // Pointer.

  wheel(event) {
    const out = event.deltaY > 0;
    const passing = performance.now() - this.scrolled < SCROLLING_MS;
    if (!event.ctrlKey && (passing || (out && this.view.scale <= this.fitted * 1.001))) return;
    event.preventDefault();
    const pixels = event.deltaMode ? event.deltaY * 30 : event.deltaY;
    this.zoomAt(this.place(event), Math.exp(-clamp(pixels, -120, 120) * (event.ctrlKey ? 0.01 : 0.002)));
  }

  down(event) {
    const place = this.place(event);
    this.pointers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    if (this.tool && this.pointers.size === 1) this.tool.down(place);
    else if (event.pointerType === "touch") this.point(place);
    if (this.canvas.style.touchAction === "none") this.canvas.setPointerCapture(event.pointerId);
  }

  move(event) {
    const before = this.pointers.get(event.pointerId);
    const place = this.place(event);
    if (before && this.pointers.size === 2) this.pinch(event, before);
    else if (this.tool) this.tool.move(place, Boolean(before));
    else if (before) this.pan(event.clientX - before.x, event.clientY - before.y);
    if (before) this.pointers.set(event.pointerId, { x: event.clientX, y: event.clientY });
    if (this.pointers.size < 2) this.point(place);
  }

  pinch(event, before) {
    const [other] = [...this.pointers].filter(([id]) => id !== event.pointerId).map(([, at]) => at);
    const apart = (at) => Math.max(8, Math.hypot(at.x - other.x, at.y - other.y));
    const now = { x: event.clientX, y: event.clientY };
    const middle = { clientX: (now.x + other.x) / 2, clientY: (now.y + other.y) / 2 };
    this.zoomAt(this.place(middle), apart(now) / apart(before));
    this.pan((now.x - before.x) / 2, (now.y - before.y) / 2);
  }

  up(event) {
    if (!this.pointers.delete(event.pointerId)) return;
    if (this.tool) this.tool.up(this.place(event));
  }

  /** Point at a place: the bead there is read out. */
  point(place) {
    this.at = place;
    this.bead = null;
    const layer = place?.panel.layer;
    if (layer) {
      const found = nearest(layer, place.x, place.y, REACH_PX / this.view.scale);
      if (found) this.bead = { name: place.panel.name, ...found };
    }
    this.told.pointed(place, this.bead);
    this.render();
  }

  /** From bead to bead by keys. */
  stepBead(step) {
    const panels = this.panels();
    const panel = panels.find((one) => one.name === this.bead?.name) ?? panels.at(-1);
    if (!panel.layer?.beads) return;
    const k = this.bead
      ? beadFrom(panel.layer, this.bead.k, step)
      : firstBead(panel.layer, this.model.state.instance + 1);
    if (k <= 0 || k >= panel.layer.n) return;
    this.bead = { name: panel.name, k, t: 0.5 };
    const [x, y] = [(panel.layer.x[k - 1] + panel.layer.x[k]) / 2, (panel.layer.y[k - 1] + panel.layer.y[k]) / 2];
    this.at = { panel, x, y };
    this.told.pointed(this.at, this.bead);
    const [px, py] = this.toScreen(panel, x, y);
    if (px < panel.x || px > panel.x + panel.width || py < panel.y || py > panel.y + panel.height) {
      Object.assign(this.view, { x, y });
      this.changed();
    }
    this.render();
  }

  // Drawing.

  /** Something but the view changed: paths are made anew. */
  refresh() {
    this.palette = new Palette();
    const { state, data } = this.model;
    const shown = this.model.shown();
    const layers = shown.map((one) => one.layer).filter(Boolean);
    this.range = QUANTITIES[state.quantity].of
      ? rangeOf(state.quantity, layers, this.model.told(state.quantity))
      : null;
    this.scenes = shown.map(({ layer, ghost }) => ({
      buckets: layer ? sceneOf(state, layer, data, this.palette, this.range) : [],
      ghost: ghost ? ghostPath(ghost) : null,
      regions: layer ? placesOf(layer, "region") : new Map(),
      instances: layer ? placesOf(layer, "instance") : new Map(),
    }));
    this.hatches = null;
    this.number = (this.number ?? 0) + 1;
    if (this.bead && this.at) this.point(this.at);
    this.told.ranged(this.range);
    this.render();
  }

  render() {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => {
      this.waiting = false;
      this.now();
    });
  }

  /** Draw at once: beads anew only where they or the view changed, the rest over them. */
  now() {
    if (!this.width || !this.view || !this.palette) return;
    const begun = performance.now();
    const { context, canvas, view } = this;
    const panels = this.panels();
    const drawn = [view.x, view.y, view.scale, canvas.width, canvas.height, this.number].join();
    if (drawn !== this.drawn) this.beads(panels);
    this.drawn = drawn;
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.clearRect(0, 0, canvas.width, canvas.height);
    context.drawImage(this.under.canvas, 0, 0);
    panels.forEach((panel, k) => {
      if (!this.scenes[k]) return;
      this.clip(context, panel);
      this.inMm(context, panel);
      if (this.bead?.name === panel.name) this.markBead(panel.layer, view.scale * this.ratio);
      context.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
      annotate(this, panel, this.scenes[k], panels.length > 1);
      this.model.overlay(panel, context);
      context.restore();
    });
    this.drawnIn = performance.now() - begun;
  }

  /** The beads of all panels, on a canvas of their own. */
  beads(panels) {
    const { ratio, palette } = this;
    this.under ??= document.createElement("canvas").getContext("2d");
    const pen = this.under;
    const { width, height } = this.canvas;
    if (pen.canvas.width !== width || pen.canvas.height !== height)
      [pen.canvas.width, pen.canvas.height] = [width, height];
    pen.clearRect(0, 0, width, height);
    this.hatches ??= Array.from({ length: HATCHES }, (_, k) =>
      hatchPattern(pen, k, palette.of("edge"), Math.round(7 * ratio), 0.9 * ratio),
    );
    const scale = this.view.scale * ratio;
    panels.forEach((panel, k) => {
      if (!this.scenes[k]) return;
      this.clip(pen, panel);
      this.inMm(pen, panel);
      const back = pen.getTransform().inverse();
      for (const hatch of this.hatches) hatch.setTransform(back);
      drawScene(pen, this.scenes[k].buckets, scale, this.hatches);
      if (this.scenes[k].ghost) dashLine(pen, this.scenes[k].ghost, palette.of("ink"), scale);
      pen.restore();
    });
  }

  clip(pen, panel) {
    pen.save();
    pen.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    pen.beginPath();
    pen.rect(panel.x, panel.y, panel.width, panel.height);
    pen.clip();
  }

  /** From here on a pen draws in mm of the plate, y upward. */
  inMm(pen, panel) {
    const scale = this.view.scale * this.ratio;
    const [x, y] = this.toScreen(panel, 0, 0);
    pen.setTransform(scale, 0, 0, -scale, x * this.ratio, y * this.ratio);
    pen.lineCap = pen.lineJoin = "round";
  }

  markBead(layer, scale) {
    const { context } = this;
    const { k } = this.bead;
    if (!(k < layer?.n)) return;
    context.beginPath();
    context.moveTo(layer.x[k - 1], layer.y[k - 1]);
    context.lineTo(layer.x[k], layer.y[k]);
    context.lineWidth = layer.width[k] / 100 + 5 / scale;
    context.strokeStyle = this.palette.of("ink");
    context.stroke();
    context.lineWidth = layer.width[k] / 100 + 1.5 / scale;
    context.strokeStyle = this.palette.of("paper");
    context.stroke();
    context.lineWidth = layer.width[k] / 100;
    context.strokeStyle = this.palette.of("accent");
    context.stroke();
  }
}

/** Beads of the other side that are gone here. */
function ghostPath(layer) {
  const path = new Path2D();
  let last = -1;
  for (let k = 1; k < layer.n; k++) {
    if (layer.flag[k] & PEN_UP || !(layer.flag[k] & TOLD)) continue;
    if (last !== k - 1) path.moveTo(layer.x[k - 1], layer.y[k - 1]);
    path.lineTo(layer.x[k], layer.y[k]);
    last = k;
  }
  return path;
}
