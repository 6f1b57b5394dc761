// The three answers a reader looks for first.

const DEAR_S = 60; // what a change costs at least to be worth a word

/** How a record stands to its design limit: beyond, unsure, within; stuck where it has no margin; free without a load. */
function judged(record) {
  const { load } = record;
  if (!load) return "free";
  if (!load.margin) return "stuck";
  // The worse of straight and at a tilt, as its sentence judges.
  const band = load.margin_crooked ?? load.margin;
  return band.best < 1 ? "beyond" : band.low < 1 ? "unsure" : "within";
}

/** The answer to the first question; `look(record)` shows a region on the drawing. */
function holdAnswer(data, groups, look) {
  if (!data.records) {
    return [
      make("p", {}, "No kit was given: nothing tells which regions bear a load. The drawing shows how the beads lie."),
    ];
  }
  const of = (word) => groups.filter((group) => judged(group.worst.after) === word);
  const [beyond, unsure, within, stuck, free] = ["beyond", "unsure", "within", "stuck", "free"].map(of);
  if (free.length === groups.length) {
    return [make("p", {}, "The kit declares no load, so no margin is told. The strip shows how well the layers weld.")];
  }
  const first =
    beyond.length || stuck.length
      ? "Not all of it."
      : unsure.length
        ? "Likely, but not for sure."
        : "Yes, by the design limits.";
  const name = (group) =>
    make("button", { type: "button", class: "name", on: { click: () => look(group.worst) } }, group.name);
  const names = (some) => some.flatMap((group, k) => (k ? [", ", name(group)] : [name(group)]));
  const rows = beyond.flatMap((group) => [
    make("dt", { class: "look" }, "beyond its limit"),
    make("dd", {}, name(group), beyondWords(group)),
  ]);
  const row = (words, some) => some.length && rows.push(make("dt", {}, words), make("dd", {}, ...names(some)));
  row("can't be put on", stuck);
  row("within, not for sure", unsure);
  row("within its limit", within);
  row("no load declared", free);
  return [
    make("p", {}, make("b", { class: beyond.length || stuck.length ? "look" : "" }, first)),
    make("dl", {}, ...rows),
  ];
}

function beyondWords(group) {
  const { after, change } = group.worst;
  const band = marginOf(after);
  const gained = change?.margin?.verdict === "better" ? `; ${marginBand(change.margin)} times what it was` : "";
  return `, margin ${marginBand(band)}, ${band.basis}${gained}`;
}

/** What it costs: a list of what it takes, and of how much more that is. */
function costAnswer(data) {
  const rows = [];
  const put = (name, key, show) => {
    const total = data.totals?.[key];
    const now = total?.after ?? total?.before;
    if (!now) return;
    rows.push(make("dt", {}, name), make("dd", {}, show(now.best)));
    const more = total.difference;
    if (!more) rows.push(make("dd", { class: "more soft" }, endsOf(now, show)));
    else {
      const ends = make("span", { class: "soft" }, ` (${endsOf(more, show)})`);
      rows.push(make("dd", { class: "more" }, make("b", {}, show(more.best, true)), ends));
    }
  };
  const unit = (name) => (value, signed) =>
    signed ? signedFigures(value, name) : `${figures(value)}\u00a0${name}`.trim();
  put("time", "time_s", roughClock);
  put("filament", "mass_g", unit("g"));
  put("money", "cost", unit(""));
  put("energy", "energy_wh", unit("Wh"));
  return [rows.length ? make("dl", {}, ...rows) : make("p", {}, "Nothing is known of it.")];
}

/** `49 to 51 min, modelled`: the ends of a band, their unit once where it is one. */
function endsOf(band, show) {
  const [low, high] = [show(band.low), show(band.high)];
  if (low === high) return band.basis;
  const [number, unit, ...more] = low.split("\u00a0");
  const alike = !more.length && high.split("\u00a0").length === 2 && high.endsWith(`\u00a0${unit}`);
  return `${alike ? number : low} to ${high}, ${band.basis}`;
}

function signedFigures(value, unit) {
  return `${value > 0 ? "+" : ""}${figures(value)}${unit ? `\u00a0${unit}` : ""}`;
}

/** What to watch: what concerns this plate first, what concerns every plate behind it. */
function watchAnswer(data, groups) {
  const parts = data.parts ?? {};
  const own = [...(data.warnings ?? [])];
  if (data.thinned) own.push(capital(data.thinned));
  for (const [key, words] of [
    ["absent", "not on the plate"],
    ["only_before", "only in the first file"],
    ["only_after", "only in the second file"],
    ["moved", "elsewhere in the second file"],
  ]) {
    if (parts[key]?.length) own.push(`${listed(parts[key].map(spoken))}: ${words}.`);
  }
  for (const group of groups) {
    const note = (group.worst.after.notes ?? []).find((text) => /^at layer/.test(text));
    if (note) own.push(`${group.name}: ${note}.`);
    const change = group.worst.change?.margin ?? group.worst.change?.across_layers;
    const added = sumOf(data.costs?.added, group);
    if (change && added && added.time_s > DEAR_S && /^(no change|not shown)/.test(change.verdict ?? "")) {
      own.push(
        `${group.name}: ${roughClock(added.time_s, true)}, and ${group.worst.change.margin ? "its margin" : "its strength"} is not shown to gain by it.`,
      );
    }
    if (change && change.verdict === "worse")
      own.push(`${group.name}: its margin is ${marginBand(change)} times what it was.`);
  }
  const general = [...(data.cautions ?? [])];
  if (data.endings?.side_effects) general.unshift(`${capital(data.endings.side_effects)}.`);
  const item = (text, warns) => make("li", { class: warns ? "warns" : "" }, text);
  const shown = [...own.map((text) => item(text, true)), ...general.map((text) => item(text, false))];
  if (!shown.length) return [make("p", {}, "Nothing that stands out.")];
  const most = Math.max(3, Math.min(own.length, 4));
  const list = make("ul", {}, ...shown.slice(0, most));
  if (shown.length <= most) return [list];
  return [
    list,
    make(
      "details",
      {},
      make("summary", {}, `${plural(shown.length - most, "more", "more")}`),
      make("ul", {}, ...shown.slice(most)),
    ),
  ];
}
