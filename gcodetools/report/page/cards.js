// One card a region: what its record says, worst first.

const BAR_ENDS = [0.05, 20]; // of margins, on a logarithmic scale around 1

function keyOf(record) {
  return `${record.part}#${record.instance}/${record.region}`;
}

/** Regions alike by part and name: { name, part, region, role, records: [{ before, after, change, key }] }, worst first. */
function groupsOf(data) {
  const after = data.records?.after ?? [];
  const before = new Map((data.records?.before ?? []).map((record) => [keyOf(record), record]));
  const groups = new Map();
  for (const record of after) {
    const name = `${record.part}/${record.region}`;
    if (!groups.has(name))
      groups.set(name, { name, part: record.part, region: record.region, role: record.role, records: [] });
    const key = keyOf(record);
    groups.get(name).records.push({ key, after: record, before: before.get(key), change: data.records.change?.[key] });
  }
  const margin = (one) => marginOf(one.after)?.best ?? Infinity;
  const low = (one) => marginOf(one.after)?.low ?? Infinity;
  const worse = (a, b) => margin(a) - margin(b) || low(a) - low(b) || 0;
  for (const group of groups.values()) {
    group.records.sort((a, b) => worse(a, b) || a.after.instance - b.after.instance);
    group.worst = group.records[0];
  }
  return [...groups.values()].sort((a, b) => worse(a.worst, b.worst));
}

function marginOf(record) {
  return record?.load?.margin ?? null;
}

/** A margin as a bar: a soft band, a thick line from 1 to the best value, a thin tick for before. */
class MarginBar {
  constructor(after, before, words) {
    this.svg = draw("svg", { class: "margin", role: "img", "aria-label": words });
    for (const end of ["low", "best", "high"]) this.svg.dataset[end] = after[end];
    Object.assign(this, { after, before });
    new ResizeObserver(() => this.render()).observe(this.svg);
  }

  render() {
    const width = this.svg.clientWidth;
    if (!width) return;
    const text = fontSize();
    const [low, high] = BAR_ENDS.map(Math.log);
    const x = (value) => clamp((Math.log(Math.max(value, 1e-6)) - low) / (high - low), 0, 1) * width;
    const y = 13;
    const parts = [draw("line", { x1: 0, x2: width, y1: y + 0.5, y2: y + 0.5, class: "rule" })];
    const { after, before } = this;
    parts.push(
      draw("rect", {
        x: x(after.low),
        y: y - 8,
        width: Math.max(1, x(after.high) - x(after.low)),
        height: 17,
        class: "band",
      }),
    );
    parts.push(draw("line", { x1: x(1), x2: x(1), y1: 0, y2: y + 14, class: "ink", "stroke-width": 1.4 }));
    if (before)
      parts.push(draw("line", { x1: x(before.best), x2: x(before.best), y1: y - 8, y2: y + 9, class: "thin" }));
    const short = after.best < 1;
    parts.push(
      draw("rect", { x: x(after.best) - 2.5, y: y - 8, width: 5, height: 17, class: short ? "dot" : "solid" }),
    );
    const baseline = y + 14 + 0.95 * text;
    for (const value of [0.1, 10]) {
      parts.push(draw("line", { x1: x(value), x2: x(value), y1: y - 3, y2: y + 4, class: "axis" }));
      if (before && Math.abs(x(before.best) - x(value)) < 60) continue;
      parts.push(draw("text", { x: x(value), y: baseline, "text-anchor": "middle", class: "soft" }, String(value)));
    }
    parts.push(draw("text", { x: x(1), y: baseline, "text-anchor": "middle" }, "1 = limit"));
    if (before && Math.abs(x(before.best) - x(after.best)) > 44) {
      parts.push(
        draw(
          "text",
          {
            x: x(before.best),
            y: baseline,
            "text-anchor": x(before.best) < 24 ? "start" : "middle",
            class: "soft halo",
          },
          "before",
        ),
      );
    }
    this.svg.setAttribute("viewBox", `0 0 ${width} 44`);
    this.svg.replaceChildren(...parts);
  }
}

/** One card; `look(record)` shows the region on the drawing. Its bar is added to `bars`. */
function card(data, group, look, bars) {
  const { worst, records } = group;
  const region = data.regions.find((one) => one.key === worst.key);
  const { after, before, change } = worst;
  const head = make(
    "h3",
    {},
    region ? hatchSwatch(region.hatch) : null,
    make("button", { type: "button", on: { click: () => look(worst) } }, group.name),
  );
  if (records.length > 1)
    head.append(make("span", { class: "soft" }, `worst of ${records.length}: #${after.instance}`));
  const parts = [head];
  const margin = marginOf(after);
  if (margin) {
    const was = marginOf(before);
    const words = `margin ${marginBand(margin)}${was ? `, before ${marginBand(was)}` : ""}; 1 is the design limit`;
    bars.push(new MarginBar(margin, was, words));
    parts.push(bars.at(-1).svg);
    parts.push(
      make(
        "p",
        {},
        make("b", { class: margin.best < 1 ? "look" : "" }, `margin ${marginBand(margin)}`),
        make("span", { class: "soft" }, ` ${margin.basis}${was ? `; before ${marginBand(was)}` : ""}`),
      ),
    );
  }
  parts.push(make("p", {}, after.sentence ?? ""));
  const gain = change?.margin ?? change?.across_layers;
  const what = change?.margin ? "Margin" : "Strength across layers";
  if (gain) parts.push(make("p", {}, `${what} ${marginBand(gain)} times what it was: ${gain.verdict ?? gain.basis}.`));
  parts.push(costLine(data, group));
  parts.push(detailsOf(group, look));
  return make("li", { "data-key": worst.key, "data-group": group.name }, ...parts.filter(Boolean));
}

/** What a region costs over all its instances. */
function sumOf(table, group) {
  const total = { time_s: 0, mass_g: 0, cost: 0 };
  let found = false;
  for (const { key } of group.records) {
    const row = table?.regions?.[key];
    if (!row) continue;
    found = true;
    for (const name of Object.keys(total)) total[name] += row[name] ?? 0;
  }
  return found ? total : null;
}

function costLine(data, group) {
  const added = sumOf(data.costs?.added, group);
  const whole = sumOf(data.costs?.after ?? data.costs?.before, group);
  const count = group.records.length;
  const of = count > 1 ? `of all ${count}` : "";
  if (added) {
    const text = `${added.time_s > 0.5 ? clock(added.time_s, true) : clock(added.time_s)}, ${massText(added.mass_g, true)}`;
    return make("p", {}, make("span", { class: "soft" }, `Cost ${of}`.trim() + ": "), text);
  }
  if (!whole) return null;
  return make(
    "p",
    {},
    make("span", { class: "soft" }, `Takes ${count > 1 ? `all ${count} together ` : ""}`),
    `${clock(whole.time_s)}, ${figures(whole.mass_g)}\u00a0g`,
  );
}

function detailsOf(group, look) {
  const { after } = group.worst;
  const lines = [];
  const across = after.strength_mpa?.across_layers;
  const along = after.strength_mpa?.along_beads;
  if (across) lines.push(`across layers ${bandText(across, "MPa")}`);
  if (along) lines.push(`along beads ${bandText(along, "MPa")}`);
  if (after.stiffness_n_per_mm) lines.push(`stiffness ${bandText(after.stiffness_n_per_mm, "N/mm")}`);
  if (after.bond)
    lines.push(
      `bond ${bandText(after.bond.mean, "of a healed weld")}, least at layer ${after.bond.weakest_layer} of the part`,
    );
  if (after.nozzle_c)
    lines.push(
      `nozzle ${after.nozzle_c.reached_min} to ${after.nozzle_c.reached_max} \u00b0C reached, ${after.nozzle_c.target} \u00b0C told`,
    );
  if (group.worst.change) lines.push(`after over before: ${group.worst.change.means}`);
  lines.push(...(after.notes ?? []));
  if (after.check_it) lines.push(`check it: ${after.check_it}`);
  const others = group.records
    .slice(1)
    .map((one) => make("button", { type: "button", on: { click: () => look(one) } }, `#${one.after.instance}`));
  const parts = [
    make("summary", {}, "Numbers and notes"),
    make("ul", {}, ...lines.map((text) => make("li", {}, text))),
  ];
  if (others.length) parts.push(make("p", { class: "line" }, make("span", { class: "soft" }, "Look at"), ...others));
  return make("details", {}, ...parts);
}
