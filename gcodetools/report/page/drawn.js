// A region drawn on the layer, in the part's own frame, and the lines of a kit that say the same.

const WAYS = {
  box: { name: "box", hint: "Drag from corner to corner." },
  ring: { name: "ring sector", hint: "Click the centre, then one corner of the sector, then the opposite one." },
  polygon: { name: "polygon", hint: "Click corner by corner; double-click or Enter closes it." },
};
const SNAP_MM = 0.1;
const FIELDS = {
  box: ["x from", "x to", "y from", "y to"],
  ring: ["centre x", "centre y", "radius from", "radius to", "angle from", "angle to"],
};

function snapped(value, step = SNAP_MM) {
  return Number((Math.round(value / step) * step).toFixed(3));
}

/** A number as a kit has it. */
function plain(value) {
  return String(Number(value.toFixed(3)) || 0);
}

class Drawer {
  /** model: { data, state, frame(), span() -> [low, high] of z in the part }, redraw(), take(tool or null). */
  constructor(root, model, redraw, take) {
    Object.assign(this, { root, model, redraw, take });
    this.way = null;
    this.numbers = { box: null, ring: null, polygon: [] };
    this.z = null;
    this.build();
  }

  build() {
    this.buttons = Object.entries(WAYS).map(([key, { name }]) =>
      make(
        "button",
        {
          type: "button",
          "data-way": key,
          "aria-pressed": "false",
          on: { click: () => this.choose(this.way === key ? null : key) },
        },
        name,
      ),
    );
    this.hint = make("span", { class: "soft" });
    this.form = make("form", { on: { submit: (event) => event.preventDefault(), input: () => this.typed() } });
    this.fragment = make("pre", { id: "fragment", tabindex: "0", "aria-label": "Lines for the kit" });
    this.copy = make(
      "button",
      { type: "button", id: "copy", class: "act", on: { click: () => this.copied() } },
      "Copy",
    );
    this.said = make("span", { class: "soft", role: "status" });
    this.sheet = make(
      "div",
      { class: "drawn" },
      this.form,
      make("div", {}, this.fragment, make("p", {}, this.copy, " ", this.said)),
    );
    this.root.replaceChildren(
      make("p", { class: "ways" }, make("span", { class: "soft" }, "Draw a region"), ...this.buttons, this.hint),
      this.sheet,
    );
    this.show();
  }

  choose(way) {
    this.way = way;
    this.points = [];
    this.z ??= this.model.span();
    for (const button of this.buttons) button.setAttribute("aria-pressed", String(button.dataset.way === way));
    if (way === "box") this.numbers.box ??= [NaN, NaN, NaN, NaN];
    this.take(way ? this : null);
    this.fields();
    this.show();
  }

  /** Another part is looked at: what was drawn stays in its numbers, its heights are that part's. */
  moved() {
    this.z = this.model.span();
    if (this.way) this.fields();
    this.show();
  }

  // The pointer.

  down(place) {
    const at = this.inPart(place);
    if (this.way === "box") this.points = [at];
    if (this.way === "ring") this.points = this.points.length >= 3 ? [at] : [...this.points, at];
    if (this.way === "polygon") this.points = this.closed ? [at] : [...this.points, at];
    this.closed = false;
    this.follow(at);
  }

  move(place, held) {
    if (this.way !== "box" || held) this.follow(this.inPart(place));
  }

  up(place) {
    if (this.way === "box" && this.points.length) {
      this.follow(this.inPart(place));
      this.points = [];
    }
  }

  finish() {
    if (this.way !== "polygon" || this.points.length < 3) return;
    this.points = this.points.filter(
      (point, k) => !k || Math.hypot(point[0] - this.points[k - 1][0], point[1] - this.points[k - 1][1]) > SNAP_MM / 2,
    );
    this.closed = true;
    this.numbers.polygon = this.points;
    this.fields();
    this.show();
  }

  inPart({ x, y }) {
    return this.model
      .frame()
      .toPart(x, y)
      .map((value) => snapped(value));
  }

  follow(at) {
    const { points } = this;
    if (this.way === "box" && points.length) {
      const [[ax, ay], [bx, by]] = [points[0], at];
      this.numbers.box = [Math.min(ax, bx), Math.max(ax, bx), Math.min(ay, by), Math.max(ay, by)];
    }
    if (this.way === "ring" && points.length) this.numbers.ring = this.sector(points, at);
    if (this.way === "polygon" && points.length && !this.closed) this.numbers.polygon = [...points, at];
    this.fields();
    this.show();
  }

  /** Centre and two corners: radii in order, angles counter-clockwise along the shorter way round. */
  sector([centre, ...corners], at) {
    const [p, q] = [corners[0] ?? at, corners[1] ?? at];
    const polar = ([x, y]) => [
      Math.hypot(x - centre[0], y - centre[1]),
      (Math.atan2(y - centre[1], x - centre[0]) * 180) / Math.PI,
    ];
    const [[ra, a], [rb, b]] = [polar(p), polar(q)];
    const round = (value) => snapped(value, 1);
    const forward = (((b - a) % 360) + 360) % 360;
    const [from, span] = forward <= 180 ? [a, forward] : [b, 360 - forward];
    const start = round(((from % 360) + 360) % 360);
    return [...centre, snapped(Math.min(ra, rb)), snapped(Math.max(ra, rb)), start, start + round(span)];
  }

  // Numbers by hand.

  fields() {
    if (!this.way) return this.form.replaceChildren();
    const values = this.way === "polygon" ? null : (this.numbers[this.way] ?? []);
    const inputs = [];
    const field = (name, value, step, wide) => {
      const input = make("input", wide ? { type: "text", name } : { type: "number", name, step });
      input.value = value;
      inputs.push(make("label", { class: wide ? "wide" : "" }, name, input));
    };
    if (values)
      FIELDS[this.way].forEach((name, k) =>
        field(name, Number.isFinite(values[k]) ? values[k] : "", /angle/.test(name) ? 1 : SNAP_MM),
      );
    else field("corners", this.numbers.polygon.map((point) => point.map(plain).join(" ")).join(", "), null, true);
    ["z from", "z to"].forEach((name, k) => field(name, this.z[k], SNAP_MM));
    if (this.form.contains(document.activeElement)) return undefined;
    return this.form.replaceChildren(...inputs);
  }

  typed() {
    const value = (name) => parseFloat(this.form.elements.namedItem(name)?.value);
    if (this.way === "polygon") {
      const text = this.form.elements.namedItem("corners").value;
      this.numbers.polygon = text
        .split(",")
        .map((pair) => pair.trim().split(/\s+/).map(Number))
        .filter((pair) => pair.length === 2 && pair.every(Number.isFinite));
      this.points = this.numbers.polygon;
      this.closed = true;
    } else this.numbers[this.way] = FIELDS[this.way].map(value);
    this.z = ["z from", "z to"].map(value);
    this.show();
  }

  /** What is wrong with the numbers, or null. */
  flaw() {
    const numbers = this.numbers[this.way];
    if (!numbers?.length || numbers.flat().some((value) => !Number.isFinite(value))) return WAYS[this.way].hint;
    if (!(this.z[0] < this.z[1])) return "z to must lie above z from.";
    if (this.way === "box" && !(numbers[0] < numbers[1] && numbers[2] < numbers[3]))
      return "Each range needs its lower end first.";
    if (this.way === "ring" && !(numbers[2] >= 0 && numbers[2] < numbers[3] && numbers[4] < numbers[5]))
      return WAYS.ring.hint;
    if (this.way === "ring" && (numbers[4] < -360 || numbers[5] > 720))
      return "Angles lie between -360 and 720 degrees.";
    if (this.way === "polygon" && numbers.length < 3) return WAYS.polygon.hint;
    if (this.way === "polygon" && crosses(numbers)) return "Its edges cross; a kit's polygon has none that do.";
    return null;
  }

  solid() {
    const n = this.numbers[this.way];
    const pair = (a, b) => `[${plain(a)}, ${plain(b)}]`;
    const z = `z: ${pair(...this.z)}`;
    if (this.way === "box") return `box: {x: ${pair(n[0], n[1])}, y: ${pair(n[2], n[3])}, ${z}}`;
    if (this.way === "polygon") return `prism: {polygon: [${n.map((point) => pair(...point)).join(", ")}], ${z}}`;
    if (n[5] - n[4] >= 360) return `ring: {centre: ${pair(n[0], n[1])}, radius: ${pair(n[2], n[3])}, ${z}}`;
    return `wedge: {centre: ${pair(n[0], n[1])}, radius: ${pair(n[2], n[3])}, angle: ${pair(n[4], n[5])}, ${z}}`;
  }

  yaml() {
    const instance = this.model.data.instances[this.model.state.instance];
    const part = instance?.part ?? "part";
    const lines = [
      "parts:",
      `  ${quoted(part)}:`,
      "    regions:",
      "      drawn:",
      "        role: clip",
      "        within:",
      `          ${this.solid()}`,
      "        treat: supple",
    ];
    if (!instance) lines.unshift("# In the plate's frame: choose an instance, and it is in the part's own.");
    return `${lines.join("\n")}\n`;
  }

  show() {
    const flaw = this.way ? this.flaw() : "";
    this.sheet.hidden = !this.way;
    this.hint.textContent = this.way ? WAYS[this.way].hint : "";
    this.fragment.textContent = flaw ?? this.yaml();
    this.copy.disabled = Boolean(flaw);
    this.said.textContent = "";
    this.root.parentElement.parentElement.style.setProperty(
      "--drawn",
      this.way ? `${this.sheet.offsetHeight}px` : "0px",
    );
    this.redraw();
  }

  async copied() {
    const text = this.fragment.textContent;
    try {
      await navigator.clipboard.writeText(text);
      this.said.textContent = "Copied.";
    } catch {
      const range = document.createRange();
      range.selectNodeContents(this.fragment);
      getSelection().removeAllRanges();
      getSelection().addRange(range);
      const done = document.execCommand("copy");
      this.said.textContent = done ? "Copied." : "Selected: copy it with the keyboard.";
    }
  }

  /** The shape on a panel. */
  overlay(view, panel, pen) {
    if (!this.way) return;
    const numbers = this.numbers[this.way];
    const frame = this.model.frame();
    const at = (x, y) => view.toScreen(panel, ...frame.toPlate(x, y));
    if (this.way === "ring" && this.points?.length) dotAt(pen, at(...this.points[0]), view.palette.of("accent"));
    if (!numbers?.length || numbers.flat().some((value) => !Number.isFinite(value))) return;
    const ring = this.outline(numbers);
    pen.beginPath();
    ring.forEach(([x, y], k) => (k ? pen.lineTo(...at(x, y)) : pen.moveTo(...at(x, y))));
    pen.closePath();
    pen.globalAlpha = 0.16;
    pen.fillStyle = view.palette.of("accent");
    pen.fill("evenodd");
    pen.globalAlpha = 1;
    pen.lineWidth = 2;
    pen.strokeStyle = view.palette.of("accent");
    pen.stroke();
  }

  outline(n) {
    if (this.way === "polygon") return n;
    if (this.way === "box")
      return [
        [n[0], n[2]],
        [n[1], n[2]],
        [n[1], n[3]],
        [n[0], n[3]],
      ];
    const [cx, cy, inner, outer, from, to] = n;
    const count = Math.max(2, Math.ceil(Math.abs(to - from) / 4));
    const arc = Array.from({ length: count + 1 }, (_, k) => ((from + ((to - from) * k) / count) * Math.PI) / 180);
    const along = (radius, angles) =>
      angles.map((angle) => [cx + radius * Math.cos(angle), cy + radius * Math.sin(angle)]);
    return [...along(outer, arc), ...along(inner, [...arc].reverse())];
  }
}

/** Whether two edges of a closed polygon cross. */
function crosses(corners) {
  const n = corners.length;
  const side = ([ax, ay], [bx, by], [px, py]) => Math.sign((bx - ax) * (py - ay) - (by - ay) * (px - ax));
  for (let j = 0; j < n; j++) {
    for (let k = j + 2; k < n; k++) {
      if (j === 0 && k === n - 1) continue;
      const [a, b, c, d] = [corners[j], corners[j + 1], corners[k], corners[(k + 1) % n]];
      if (side(a, b, c) * side(a, b, d) < 0 && side(c, d, a) * side(c, d, b) < 0) return true;
    }
  }
  return false;
}

function dotAt(pen, [x, y], colour) {
  pen.fillStyle = colour;
  pen.beginPath();
  pen.arc(x, y, 3.5, 0, 2 * Math.PI);
  pen.fill();
}

/** A key of YAML: quoted unless it is a plain word. */
function quoted(text) {
  const word = /^[A-Za-z][\w-]*$/.test(text) && !/^(true|false|null|yes|no|on|off|y|n)$/i.test(text);
  return word ? text : JSON.stringify(text);
}
