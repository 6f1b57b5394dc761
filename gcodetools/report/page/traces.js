// Nozzle and fan over time: what was told and what was there, and where the minutes go.

class Traces {
  constructor(svg, model, choose) {
    Object.assign(this, { svg, model, choose });
    svg.addEventListener("pointerdown", (event) => this.pointed(event));
    new ResizeObserver(() => this.render()).observe(svg);
  }

  pointed(event) {
    if (!this.time) return;
    const trace = this.trace();
    const box = this.svg.getBoundingClientRect();
    const t = this.time(event.clientX - box.left);
    let k = trace.t_s.findIndex((value) => value >= t);
    if (k < 0) k = trace.t_s.length - 1;
    if (trace.layer[k] >= 0) this.choose(trace.layer[k]);
  }

  trace() {
    const { data, state } = this.model;
    return data.trace?.[state.side === "both" ? "after" : state.side] ?? data.trace?.after ?? data.trace?.before;
  }

  render() {
    const { svg } = this;
    const [width, height] = [svg.clientWidth, svg.clientHeight];
    const trace = this.trace();
    if (!width || !trace?.t_s?.length) return;
    const text = fontSize();
    const other = this.model.data.trace.before !== trace ? this.model.data.trace.before : null;
    const end = Math.max(trace.t_s.at(-1), other?.t_s.at(-1) ?? 0);
    const left = 3.4 * text;
    const right = width - clamp(0.12 * width, 70, 130);
    const x = (t) => left + (t / end) * (right - left);
    this.time = (pixel) => clamp((pixel - left) / (right - left), 0, 1) * end;
    const foot = 1.7 * text;
    const gap = 1.9 * text;
    const each = (height - foot - 2 * gap) / 2;
    const parts = [];
    this.here = draw("rect", { y: gap - 6, height: height - gap - foot + 6, class: "band" });
    this.across = x;
    parts.push(this.here);
    const warm = [...trace.told_c, ...trace.reached_c, ...(other?.reached_c ?? [])].filter((value) => value > 120);
    const span = warm.length ? [Math.min(...warm), Math.max(...warm)] : [0, 1];
    const pad = Math.max(4, 0.15 * (span[1] - span[0]));
    const range = [span[0] - pad, span[1] + pad];
    parts.push(
      ...this.graph(trace, other, "told_c", "reached_c", range, {
        x,
        y: gap,
        height: each,
        left,
        right,
        name: "nozzle, \u00b0C",
        text,
      }),
    );
    parts.push(
      ...this.graph(trace, other, "fan_told", "fan", [0, 1], {
        x,
        y: 2 * gap + each,
        height: each,
        left,
        right,
        name: "fan, %",
        text,
      }),
    );
    parts.push(...this.hours(end, x, height, text));
    svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    svg.setAttribute("aria-label", this.words(trace));
    svg.replaceChildren(...parts);
    this.mark();
  }

  /** Where the layer shown is, in time. */
  mark() {
    if (!this.here) return;
    const span = this.spanOf(this.trace());
    this.here.toggleAttribute("hidden", !span);
    if (!span) return;
    const [from, to] = span.map(this.across);
    this.here.setAttribute("x", from);
    this.here.setAttribute("width", Math.max(1.5, to - from));
  }

  spanOf(trace) {
    const { layer } = this.model.state;
    const first = trace.layer.indexOf(layer);
    if (first < 0) return null;
    return [trace.t_s[Math.max(0, first - 1)], trace.t_s[trace.layer.lastIndexOf(layer)]];
  }

  graph(trace, other, told, got, range, frame) {
    const { x, left, right, text } = frame;
    const y = (value) => frame.y + frame.height * (1 - clamp((value - range[0]) / (range[1] - range[0]), 0, 1));
    const parts = [draw("text", { x: 0, y: frame.y - 0.6 * text }, frame.name)];
    for (const value of ticks(range[0], range[1], Math.max(2, frame.height / (2.6 * text)))) {
      parts.push(draw("line", { x1: left, x2: right, y1: y(value), y2: y(value), class: "rule" }));
      const shown = got === "fan" ? Math.round(100 * value) : value;
      parts.push(
        draw("text", { x: left - 8, y: y(value) + 0.35 * text, "text-anchor": "end", class: "soft" }, String(shown)),
      );
    }
    const line = (one, key, stepped) => tracePath(one.t_s, one[key], x, y, stepped);
    if (other) parts.push(draw("path", { d: line(other, got, false), class: "was" }));
    parts.push(draw("path", { d: line(trace, told, true), class: "told" }));
    parts.push(draw("path", { d: line(trace, got, false), class: "thick" }));
    const ends = [
      ["told", trace[told], trace, ""],
      ["reached", trace[got], trace, ""],
      ...(other ? [["before", other[got], other, "soft"]] : []),
    ].map(([name, values, one, tone]) => ({ name, tone, y: y(values.at(-1)), x: x(one.t_s.at(-1)) }));
    ends.sort((a, b) => a.y - b.y);
    const least = frame.y + 0.5 * text;
    ends.forEach((end, k) => (end.at = Math.max(end.y, k ? ends[k - 1].at + 1.1 * text : least)));
    const over = ends.at(-1).at - (frame.y + frame.height);
    if (over > 0) ends.forEach((end) => (end.at -= over));
    for (const end of ends)
      parts.push(draw("text", { x: right + 8, y: end.at + 0.35 * text, class: end.tone }, end.name));
    return parts;
  }

  hours(end, x, height, text) {
    const unit = end > 3 * 3600 ? [3600, "h"] : end > 180 ? [60, "min"] : [1, "s"];
    const marks = ticks(0, end / unit[0], Math.max(2, (x(end) - x(0)) / (6 * text)));
    return marks.map((value, k) =>
      draw(
        "text",
        { x: x(value * unit[0]), y: height - 4, "text-anchor": "middle", class: "soft" },
        `${value}${k === marks.length - 1 ? ` ${unit[1]}` : ""}`,
      ),
    );
  }

  words(trace) {
    const among = (list) => list.filter((value) => value > 0);
    const ends = (list) =>
      list.length ? `${Math.round(Math.min(...list))} to ${Math.round(Math.max(...list))}` : "none";
    return `Nozzle told ${ends(among(trace.told_c))} \u00b0C, reached ${ends(among(trace.reached_c))} \u00b0C; fan told ${ends(trace.fan_told.map((value) => 100 * value))} %, over ${clock(trace.t_s.at(-1))}`;
  }
}

/** A line over time; where points crowd a pixel only its ends, its least and its most are kept. */
function tracePath(times, values, x, y, stepped) {
  const parts = [];
  let column = null;
  const flush = () => {
    if (!column) return;
    const { at, first, least, most, last } = column;
    for (const value of [first, least, most, last])
      parts.push(`${parts.length ? "L" : "M"}${at} ${y(value).toFixed(1)}`);
  };
  times.forEach((t, k) => {
    const value = values[k];
    if (value === null || !Number.isFinite(value)) return;
    const at = x(t).toFixed(1);
    if (column && Math.abs(at - column.at) < 0.6) {
      Object.assign(column, { least: Math.min(column.least, value), most: Math.max(column.most, value), last: value });
      return;
    }
    flush();
    if (stepped && column) parts.push(`L${at} ${y(column.last).toFixed(1)}`);
    column = { at, first: value, least: value, most: value, last: value };
  });
  flush();
  return parts.join("");
}

/** Rows of the table of minutes: by feature, then by region over all instances. */
function minuteRows(data) {
  const { before, after, added } = data.costs ?? {};
  const tables = [before, after].filter(Boolean);
  const features = [...new Set(tables.flatMap((table) => Object.keys(table.features ?? {})))];
  const row = (name, get) => ({
    name,
    before: before && get(before),
    after: after && get(after),
    added: added && get(added),
  });
  const none = { time_s: 0, mass_g: 0 };
  const byFeature = features.map((key) => row(FEATURE_WORDS[key] ?? key, (table) => table.features[key] ?? none));
  const names = new Map();
  for (const key of new Set(tables.flatMap((table) => Object.keys(table.regions ?? {})))) {
    const name = key === "rest" ? FEATURE_WORDS.rest : key.replace(/#\d+/, "");
    names.set(name, [...(names.get(name) ?? []), key]);
  }
  const sum = (table, keys) =>
    keys.reduce(
      (total, key) => ({
        time_s: total.time_s + (table.regions[key]?.time_s ?? 0),
        mass_g: total.mass_g + (table.regions[key]?.mass_g ?? 0),
      }),
      none,
    );
  const byRegion = [...names].map(([name, keys]) =>
    row(keys.length > 1 ? `${name}  (${keys.length})` : name, (table) => sum(table, keys)),
  );
  const known = (one) => Math.max(one.before?.time_s ?? 0, one.after?.time_s ?? 0);
  const order = (rows) => rows.filter((one) => known(one) > 0.05).sort((a, b) => known(b) - known(a));
  return {
    byFeature: order(byFeature),
    byRegion: byRegion.length > 1 ? order(byRegion) : [],
    whole: row("whole", (table) => table.whole),
  };
}

function minuteTable(table, data) {
  const { byFeature, byRegion, whole } = minuteRows(data);
  const both = Boolean(whole.before && whole.after);
  const most = Math.max(
    ...[...byFeature, ...byRegion].map((one) => Math.max(one.before?.time_s ?? 0, one.after?.time_s ?? 0)),
    1,
  );
  const heads = both ? ["", "", "before", "after", "more", "more plastic"] : ["", "", "time", "plastic"];
  const cells = (one, bars) => {
    const cell = (text) => make("td", {}, text);
    const shown = both
      ? [
          roughClock(one.before.time_s),
          roughClock(one.after.time_s),
          roughClock(one.added?.time_s ?? one.after.time_s - one.before.time_s, true),
          massText(one.added?.mass_g ?? 0, true),
        ]
      : [roughClock((one.after ?? one.before).time_s), massText((one.after ?? one.before).mass_g)];
    return [
      make("th", { scope: "row" }, one.name),
      make("td", { class: "bars" }, bars ? minuteBar(one, most) : ""),
      ...shown.map(cell),
    ];
  };
  const group = (name, rows) =>
    rows.length
      ? [
          make(
            "tbody",
            {},
            make("tr", {}, make("th", { scope: "rowgroup", colspan: heads.length }, name)),
            ...rows.map((one) => make("tr", {}, ...cells(one, true))),
          ),
        ]
      : [];
  table.replaceChildren(
    make("thead", {}, make("tr", {}, ...heads.map((text) => make("th", { scope: "col" }, text)))),
    ...group("By kind of move", byFeature),
    ...group("By region, over all instances", byRegion),
    make("tbody", {}, make("tr", { class: "whole" }, ...cells(whole, false))),
  );
}

function massText(grams, signed = false) {
  if (Math.abs(grams) < 0.0005) return "0\u00a0g";
  return signed ? signedFigures(grams, "g") : `${figures(grams)}\u00a0g`;
}

/** Before as a thin line, after as a thick one. */
function minuteBar(one, most) {
  const svg = draw("svg", { viewBox: "0 0 100 16", preserveAspectRatio: "none", "aria-hidden": "true" });
  const now = one.after ?? one.before;
  svg.append(draw("rect", { x: 0, y: 8, width: (100 * now.time_s) / most, height: 5, class: "solid" }));
  if (one.before && one.after)
    svg.append(draw("rect", { x: 0, y: 4, width: (100 * one.before.time_s) / most, height: 1.4, class: "solid" }));
  return svg;
}
