// The page itself: what is looked at, and who is told when that changes.

const ALTERNATE_MS = 900;
const WHOLE = -1;

class Page {
  constructor(data) {
    this.data = data;
    this.stores = data.sides.map((side) => new Store(side));
    this.groups = groupsOf(data);
    this.two = data.sides.length > 1;
    const worst = this.groups[0]?.worst;
    const instance = data.instances.findIndex(
      (one) => worst && one.part === worst.after.part && one.instance === worst.after.instance,
    );
    this.state = {
      layer: 0,
      side: data.sides.at(-1).name,
      quantity: this.two ? "change" : "region",
      instance: instance >= 0 ? instance : data.instances.length ? 0 : WHOLE,
      beside: "time_s",
      region: null,
    };
    this.layers = new Map(); // side -> layer shown
    this.timing = { step_ms: 0, open_ms: 0 };
  }

  start() {
    const { data, state } = this;
    byId("sheet").replaceChildren(...headingOf(data));
    byId("hold").replaceChildren(...holdAnswer(data, this.groups, (one) => this.look(one, true)));
    byId("costs").replaceChildren(...costAnswer(data));
    byId("watch").replaceChildren(...watchAnswer(data, this.groups));
    this.cards();
    const model = {
      data,
      state,
      stores: this.stores,
      shown: () => this.shown(),
      frame: () => new Frame(data.instances[state.instance]),
      told: (quantity) => data.sides.at(-1).ranges?.[quantity] ?? null,
      span: () => this.span(),
      overlay: (panel, pen) => this.drawer.overlay(this.view, panel, pen),
    };
    this.reading = new Reading(model);
    this.strip = new Strip(byId("strip"), model, (layer) => this.show(layer));
    this.traces = new Traces(byId("traces"), model, (layer) => this.show(layer));
    this.view = new LayerView(byId("layer"), model, {
      pointed: (place, bead) => this.reading.read(place, bead),
      ranged: (range) => this.reading.legend(range),
    });
    this.drawer = new Drawer(
      byId("draw"),
      model,
      () => this.view.render(),
      (tool) => {
        this.view.tool = tool;
        if (this.view.view) this.view.changed();
      },
    );
    this.controls();
    if (data.costs) minuteTable(byId("minutes"), data);
    byId("notes").replaceChildren(...notesOf(data).map((text) => make("p", {}, text)));
    for (const [id, there] of [
      ["heat", data.trace && Object.keys(data.trace).length],
      ["cards", this.groups.length],
      ["spent", data.costs],
    ])
      byId(id).hidden = !there;
    byId("drawing").classList.toggle("bare", !this.groups.length);
    this.reading.read(null, null);
    this.fill();
    window.addEventListener("resize", () => this.fill());
    this.keys();
    this.watchLooks();
    this.look(this.groups[0]?.worst, false);
  }

  /** The drawing ends where the window does, on a window large enough: the first screen has all of it. */
  fill() {
    this.reading.reserve();
    const drawing = byId("drawing");
    const beside = matchMedia("(min-width: 1181px)").matches;
    drawing.style.setProperty(
      "--tall",
      beside ? `${clamp(window.innerHeight - drawing.offsetTop - 14, 560, 1200)}px` : "auto",
    );
  }

  cards() {
    this.bars = [];
    byId("verdict").replaceChildren(
      ...this.groups.map((group) => card(this.data, group, (one) => this.look(one, true), this.bars)),
    );
  }

  // What is looked at.

  shown() {
    const { state, data } = this;
    const names = state.side === "both" ? data.sides.map((side) => side.name) : [state.side];
    return names.map((name) => {
      const alone = this.two && names.length < 2 && name === "after" && state.quantity === "change";
      return { name, layer: this.layers.get(name), ghost: alone ? this.layers.get("before") : null };
    });
  }

  /** The layer of a side at the height of layer k of the last side. */
  twin(side, k) {
    const own = this.stores[side].side.layers.z_mm;
    const z = this.stores.at(-1).side.layers.z_mm[k];
    if (side === this.stores.length - 1 || Math.abs((own[k] ?? Infinity) - z) < 1e-6) return k;
    let best = 0;
    own.forEach((value, j) => {
      if (Math.abs(value - z) < Math.abs(own[best] - z)) best = j;
    });
    return Math.abs(own[best] - z) < 0.5 * (this.stores.at(-1).side.layers.height_mm?.[k] ?? 0.2) ? best : -1;
  }

  /** Show layer k, from 0. */
  async show(k) {
    const begun = performance.now();
    const last = this.stores.at(-1);
    if (!last.count) return this.empty();
    k = clamp(Math.round(k), 0, last.count - 1);
    this.state.layer = k;
    this.strip.render();
    this.traces.mark();
    const twins = this.stores.map((store, side) => this.twin(side, k));
    let layers;
    try {
      layers = await Promise.all(this.stores.map((store, side) => (twins[side] < 0 ? null : store.layer(twins[side]))));
    } catch (error) {
      // An old browser can't inflate; all but the layers is there.
      byId("legend").textContent = `The layer can't be unpacked here: ${error.message}`;
      return;
    }
    if (this.state.layer !== k) return;
    layers.forEach((layer, side) => {
      if (layer) layer.gone = this.two && this.data.sides[side].name === "before";
      this.layers.set(this.data.sides[side].name, layer);
    });
    if (!this.framed) this.frameView();
    this.framed = true;
    this.caption();
    this.view.bead = null;
    this.view.refresh();
    this.view.now();
    this.timing.step_ms = performance.now() - begun;
    this.stores.forEach((store, side) => store.prefetch(Math.max(0, twins[side])));
    if (document.body.dataset.ready) return;
    this.timing.open_ms = performance.now();
    document.body.dataset.ready = "1";
  }

  /** A file without a layer. */
  empty() {
    byId("drawing").hidden = true;
    document.body.dataset.ready = "1";
  }

  caption() {
    if (!this.layers.size) return;
    const { state } = this;
    const last = this.stores.at(-1);
    const height = last.side.layers.z_mm[state.layer];
    const shown = this.shown();
    const beads = shown.map((one) => one.layer?.beads ?? 0);
    const time = last.side.layers.time_s?.[state.layer];
    const words = `of ${last.count}, nozzle at ${mm(height)} mm, ${beads.map((count) => count.toLocaleString("en")).join(" and ")} beads${time ? `, ${clock(time)}` : ""}`;
    this.where.textContent = String(state.layer + 1);
    this.rest.textContent = ` ${words}`;
    const label = `Layer ${state.layer + 1} ${words}; ${shown.map((one) => one.name).join(" and ")}; ${QUANTITIES[state.quantity].name}`;
    byId("layer").setAttribute("aria-label", label);
  }

  /** The heights of the instance looked at, in its own frame. */
  span() {
    const instance = this.data.instances[this.state.instance];
    const tops = this.stores.at(-1).side.layers.z_mm;
    if (!instance) return [0, snapped(tops.at(-1) ?? 1)];
    return [0, snapped(((tops[instance.last_layer] ?? 0) - instance.z_mm) / (instance.scale || 1))];
  }

  /** Look at a region of one instance: the part, its weakest layer, its beads; once more, and all beads are looked at. */
  look(one, chosen) {
    const { data, state } = this;
    const pose = (each) => each.part === one?.after.part && each.instance === one.after.instance;
    const instance = one ? data.instances.findIndex(pose) : state.instance;
    state.region =
      chosen && state.region !== one.key && data.regions.some((region) => region.key === one.key) ? one.key : null;
    this.stand(instance >= 0 ? instance : WHOLE);
    const first = data.instances[instance]?.first_layer ?? 0;
    const middle = one
      ? first + Math.round((one.after.layers[0] + one.after.layers[1]) / 2) - 1
      : this.stores.at(-1).count / 2;
    this.show(this.weakest(one) ?? middle);
    if (chosen) this.bringUp(`${one.after.part}/${one.after.region}`);
  }

  /** What is looked at comes into sight: its card in the list, and the drawing where the window is small. */
  bringUp(group) {
    const list = byId("cards");
    for (const item of byId("verdict").children) {
      const mine = this.state.region !== null && item.dataset.group === group;
      item.classList.toggle("chosen", mine);
      if (mine && list.scrollHeight > list.clientHeight + 1) list.scrollTop = item.offsetTop - list.offsetTop - 8;
    }
    const box = byId("layer").getBoundingClientRect();
    if (box.top > 0.8 * window.innerHeight || box.bottom < 80) byId("drawing").scrollIntoView();
  }

  /** The layer of the plate with the least strength in a region, or null. */
  weakest(one) {
    const region = one && this.data.regions.find((region) => region.key === one.key);
    const columns = this.strip.columns();
    const found = region && this.strip.weakest(columns, region.z_mm);
    return found ? columns.layer[found.k] : null;
  }

  stand(instance) {
    const { state, data } = this;
    state.instance = instance;
    byId("instance").value = String(instance);
    const choices = this.strip.choices();
    const best = choices.includes(state.besideAsked) ? state.besideAsked : choices[0];
    state.beside = best;
    byId("beside").replaceChildren(
      ...choices.map((key) =>
        make("option", { value: key }, BESIDE[key].name + (BESIDE[key].unit ? `, ${BESIDE[key].unit}` : "")),
      ),
    );
    byId("beside").value = best;
    this.strip.render();
    this.strip.survey(instance);
    this.drawer.moved();
    this.framed = false;
  }

  /** Fit the view to what the instance has on the layer shown, or to the plate. */
  frameView() {
    const plate = this.data.sides.at(-1).bounds;
    const boxes = [...this.layers.values()]
      .map((layer) => layer && placesOf(layer, "instance").get(this.state.instance + 1))
      .filter(Boolean);
    if (this.state.instance < 0 || !boxes.length) return this.view.fit(plate);
    const ends = (key, pick) => [0, 1].map((axis) => pick(...boxes.map((box) => box[key][axis])));
    return this.view.fit([...ends("low", Math.min), ...ends("high", Math.max)]);
  }

  setSide(name) {
    this.state.side = name;
    for (const radio of byId("side").querySelectorAll("input")) radio.checked = radio.value === name;
    const fitted = this.view.isFitted();
    if (fitted && this.view.view) this.view.fit();
    this.caption();
    this.view.refresh();
    this.traces.render();
  }

  flip() {
    if (!this.two) return;
    this.setSide(this.state.side === "after" ? "before" : "after");
  }

  /** Alternate by itself, on request; who wants no motion gets one flip a press. */
  alternate(button) {
    if (matchMedia("(prefers-reduced-motion: reduce)").matches) return this.flip();
    const running = this.timer !== undefined;
    clearInterval(this.timer);
    this.timer = running ? undefined : setInterval(() => this.flip(), ALTERNATE_MS);
    if (!running) this.flip();
    button.setAttribute("aria-pressed", String(!running));
    return undefined;
  }

  // Controls.

  controls() {
    const { data, state } = this;
    const option = (value, text) => make("option", { value }, text);
    const instances = byId("instance");
    instances.append(...data.instances.map((one, k) => option(k, spoken(one.key))), option(WHOLE, "the whole plate"));
    instances.addEventListener("change", () => {
      state.region = null;
      this.stand(Number(instances.value));
      const one = data.instances[state.instance];
      this.show(one ? clamp(state.layer, one.first_layer, one.last_layer) : state.layer);
    });
    byId("beside").addEventListener("change", (event) => {
      state.beside = state.besideAsked = event.target.value;
      this.strip.render();
    });
    const known = Object.keys(QUANTITIES).filter(
      (key) => (key !== "change" || this.two) && (key !== "region" || data.regions.length || !this.two),
    );
    const quantity = byId("quantity");
    quantity.append(
      ...known.map((key) =>
        option(
          key,
          key === "region" && !data.regions.length
            ? "kinds of bead"
            : QUANTITIES[key].name + (QUANTITIES[key].unit ? `, ${QUANTITIES[key].unit}` : ""),
        ),
      ),
    );
    quantity.value = state.quantity;
    quantity.addEventListener("change", () => {
      state.quantity = quantity.value;
      this.caption();
      this.view.refresh();
    });
    const step = (by, name, text) =>
      make(
        "button",
        { type: "button", class: "act", "aria-label": name, on: { click: () => this.show(state.layer + by) } },
        text,
      );
    this.where = make("b", {});
    this.rest = make("span", { class: "soft" });
    byId("which").replaceChildren(
      "Layer ",
      step(-1, "layer below", "\u2193"),
      this.where,
      step(1, "layer above", "\u2191"),
      this.rest,
    );
    this.sides();
  }

  sides() {
    const set = byId("side");
    set.hidden = !this.two;
    if (!this.two) return;
    for (const name of ["before", "after", "both"]) {
      const input = make("input", {
        type: "radio",
        name: "side",
        value: name,
        on: { change: () => this.setSide(name) },
      });
      input.checked = name === this.state.side;
      set.append(make("label", {}, input, make("span", {}, name)));
    }
    const button = make(
      "button",
      {
        type: "button",
        id: "alternate",
        class: "act",
        "aria-pressed": "false",
        title: "before and after by turns; the key b does it by hand",
      },
      "by turns",
    );
    button.addEventListener("click", () => this.alternate(button));
    set.append(button);
  }

  keys() {
    document.addEventListener("keydown", (event) => {
      const typing = event.target.closest?.("input, select, textarea");
      if (event.ctrlKey || event.metaKey || event.altKey || (typing && event.target.type !== "radio")) return;
      if (typing && /^Arrow/.test(event.key)) return;
      if (this.press(event)) event.preventDefault();
    });
  }

  press(event) {
    const { state, view } = this;
    const strip = document.activeElement === byId("strip");
    const step = (by) => this.show(state.layer + by) && true;
    const page = Math.max(5, Math.round(this.stores.at(-1).count / 15));
    if (event.shiftKey && /^Arrow/.test(event.key)) {
      const [dx, dy] = { ArrowUp: [0, 60], ArrowDown: [0, -60], ArrowLeft: [60, 0], ArrowRight: [-60, 0] }[event.key];
      view.pan(dx, dy);
      return true;
    }
    switch (event.key) {
      case "ArrowUp":
        return step(1);
      case "ArrowDown":
        return step(-1);
      case "ArrowRight":
        return strip ? step(1) : (view.stepBead(1), true);
      case "ArrowLeft":
        return strip ? step(-1) : (view.stepBead(-1), true);
      case "PageUp":
        return strip || document.activeElement === byId("layer") ? step(page) : false;
      case "PageDown":
        return strip || document.activeElement === byId("layer") ? step(-page) : false;
      case "Home":
        return strip ? step(-state.layer) : false;
      case "End":
        return strip ? step(this.stores.at(-1).count) : false;
      case "b":
        return (this.flip(), true);
      case "+":
      case "=":
        return (view.zoom(ZOOM_STEP), true);
      case "-":
      case "\u2212":
        return (view.zoom(1 / ZOOM_STEP), true);
      case "0":
        return (this.frameView(), true);
      case "Enter":
        if (view.tool && document.activeElement === byId("layer")) return (view.tool.finish(), true);
        return false;
      case "Escape":
        if (view.tool) return (this.drawer.choose(null), true);
        return false;
      default:
        return false;
    }
  }

  /** Light, dark and print have colours of their own, and the canvas must follow. */
  watchLooks() {
    const again = () => {
      this.view.refresh();
      this.strip.render();
    };
    // Paper has other sizes too, and what observes sizes is told too late for it.
    const printed = () => {
      this.view.resized();
      again();
      this.traces.render();
      for (const bar of this.bars) bar.render();
      this.view.now();
    };
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);
    matchMedia("print").addEventListener("change", printed);
  }
}

const page = new Page(JSON.parse(byId("data").textContent));
window.beadwright = Object.freeze({
  layer: () => page.state.layer + 1,
  show: (number) => page.show(number - 1),
  side: () => page.state.side,
  stats: () => ({
    ...page.timing,
    draw_ms: page.view.drawnIn,
    beads: page.shown().map((one) => one.layer?.beads ?? 0),
    scale: page.view.view?.scale,
    fitted: page.view.fitted,
  }),
});
page.start();
