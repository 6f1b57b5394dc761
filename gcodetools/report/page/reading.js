// What the pointer is at, in words and numbers, and what the colours mean.

class Reading {
  /** model: { data, state, stores } */
  constructor(model) {
    Object.assign(this, model);
    this.two = this.data.sides.length > 1;
  }

  /** Room for the most that is told of a bead: pointing moves nothing. */
  reserve() {
    const readout = byId("readout");
    const { gridTemplateColumns, lineHeight } = getComputedStyle(readout);
    const pairs = 5 + (this.data.instances.length ? 1 : 0) + (this.data.regions.length ? 2 : 0);
    const lines = 1 + Math.ceil(pairs / gridTemplateColumns.split(" ").length);
    readout.style.minHeight = `${Math.ceil(lines * parseFloat(lineHeight)) + 6}px`;
  }

  read(place, bead) {
    const { data, state } = this;
    const rows = [];
    const put = (name, text, wide) =>
      rows.push(make("div", { class: wide ? "wide" : "" }, make("dt", {}, name), make("dd", {}, text)));
    const layer = place?.panel.layer;
    if (!place || !layer) {
      byId("readout").replaceChildren(
        make(
          "div",
          { class: "wide" },
          make(
            "dd",
            { class: "soft" },
            "Point at a bead, or go from bead to bead with the left and right keys: its numbers stand here.",
          ),
        ),
      );
      return;
    }
    const k = bead?.k;
    const own = k !== undefined ? data.instances[layer.instance[k] - 1] : null;
    const instance = own ?? data.instances[state.instance];
    const z = this.stores.at(-1).side.layers.z_mm[state.layer];
    if (k !== undefined) put("bead", this.beadWords(place.panel, layer, k), true);
    put("plate", `${mm(place.x)}, ${mm(place.y)}, ${mm(z)} mm`);
    if (instance) {
      const [x, y] = new Frame(instance).toPart(place.x, place.y);
      put(spoken(instance.key), `${mm(x)}, ${mm(y)}, ${mm((z - instance.z_mm) / (instance.scale || 1))} mm`);
    }
    if (k !== undefined) {
      put("wide, high", `${mm(layer.width[k] / 100)}, ${mm(layer.height[k] / 200)} mm`);
      for (const key of ["feed", "rate", "nozzle", "age", "bond"]) {
        const value = QUANTITIES[key].of(layer, k);
        const short = { feed: "feed", rate: "flow", nozzle: "nozzle", age: "below laid", bond: "bond" }[key];
        if (Number.isNaN(value)) continue;
        const text =
          key === "nozzle"
            ? `${value.toFixed(1)} \u00b0C reached`
            : key === "age"
              ? `${clock(value)} earlier`
              : key === "bond"
                ? `${figures(value)} of healed, modelled`
                : `${figures(value, 3)} ${QUANTITIES[key].unit}`;
        put(short, text);
      }
    }
    byId("readout").replaceChildren(...rows);
  }

  beadWords(panel, layer, k) {
    const { data } = this;
    const words = [FEATURE_WORDS[data.features[layer.feature[k]]] ?? "bead"];
    if (this.two && layer.flag[k] & TOLD) words[0] = layer.gone ? `${words[0]}, removed` : `${words[0]}, new`;
    const region = data.regions[layer.region[k] - 1];
    const instance = data.instances[layer.instance[k] - 1];
    if (instance) words.push(`of ${spoken(instance.key)}`);
    if (region) words.push(`in ${region.region}`);
    if (this.state.side === "both") words.push(`(${panel.name})`);
    return words.join(" ");
  }

  legend(range) {
    const { state, data } = this;
    const item = (swatch, text) => make("span", {}, swatch, text);
    const box = (fill, extra) => {
      const svg = draw("svg", { class: "hatch", viewBox: "0 0 22 14", "aria-hidden": "true" });
      const rect = draw("rect", { x: 0.5, y: 0.5, width: 21, height: 13, class: "body" });
      rect.style.fill = `var(--${fill})`;
      svg.append(rect, ...(extra ? [extra] : []));
      return svg;
    };
    const items = [];
    if (state.quantity === "change") {
      items.push(
        item(box("new"), "new"),
        item(
          box(
            "paper",
            draw("line", { x1: 2, x2: 20, y1: 7, y2: 7, class: "ink", "stroke-dasharray": "5 3", "stroke-width": 1.6 }),
          ),
          "removed",
        ),
        item(box("perimeter"), "as it was"),
      );
    } else if (state.quantity === "region") {
      const mine = data.regions.filter(
        (region) =>
          state.instance < 0 ||
          (region.part === data.instances[state.instance].part &&
            region.instance === data.instances[state.instance].instance),
      );
      for (const [name, hatch] of new Map(mine.map((region) => [region.region, region.hatch])))
        items.push(item(hatchSwatch(hatch), name));
      items.push(
        item(box("outermost"), "outermost"),
        item(box("perimeter"), "perimeter"),
        item(box("solid"), "solid"),
        item(box("sparse"), "sparse"),
      );
    } else if (range?.known) items.push(scaleLegend(state.quantity, range));
    if (range?.unknown || (range && !range.known)) items.push(item(box("paper"), "not known"));
    byId("legend").replaceChildren(...items);
  }
}

/** The scale of a quantity with its numbers. */
function scaleLegend(name, range) {
  const text = fontSize();
  const [width, height] = [280, 14 + 1.3 * text];
  const svg = draw("svg", {
    width: width + 40,
    height,
    role: "img",
    "aria-label": `${QUANTITIES[name].name}: ${figures(range.low, 3)} to ${figures(range.high, 3)} ${QUANTITIES[name].unit}`,
  });
  for (let k = 0; k <= STEPS; k++) {
    const rect = draw("rect", {
      x: 14 + (k * width) / (STEPS + 1),
      y: 0,
      width: width / (STEPS + 1) + 0.5,
      height: 10,
    });
    rect.style.fill = rgb(scaleColour(k / STEPS));
    svg.append(rect);
  }
  const marks = QUANTITIES[name].logs
    ? [0, 1, 3, 10, 30, 100, 300, 1000, 3000, 10000].filter(
        (value) => value >= range.low * 0.95 && value <= range.high * 1.05,
      )
    : ticks(range.low, range.high, 4);
  let last = -Infinity;
  for (const value of marks) {
    const x = 14 + width * shareOf(name, range, value);
    if (x - last < 2.4 * text) continue;
    last = x;
    svg.append(
      draw("line", { x1: x, x2: x, y1: 8, y2: 13, class: "ink" }),
      draw("text", { x, y: 12 + text, "text-anchor": "middle" }, value.toLocaleString("en")),
    );
  }
  return make("span", {}, svg, QUANTITIES[name].unit || "healed = 1");
}
