// What stands at the edges of the sheet: its block at the head, what it rests on at the foot.

/** The sheet's block: what is looked at, as cells. */
function headingOf(data) {
  const cell = (name, text) => make("span", {}, name ? make("i", {}, name) : null, text);
  const cells = [cell("", make("b", {}, fileName(data.file)))];
  if (data.against) cells.push(cell("against", fileName(data.against)));
  for (const key of ["kit", "material", "machine"]) if (data[key]) cells.push(cell(key, data[key]));
  cells.push(cell("", `beadwright ${data.version ?? ""}`.trim()));
  return cells;
}

/** What the numbers rest on, and the keys: lines. */
function notesOf(data) {
  const lines = [];
  const rests = data.endings?.rests_on;
  if (rests)
    lines.push(
      `Strength: ${rests}. Bands hold the value nine times of ten${data.draws ? ` (${data.draws.count.toLocaleString("en")} draws)` : ""}; a margin is what design limits for printed snap fits allow, over what the load asks.`,
    );
  const columns = Object.entries(data.columns ?? {}).filter(([key]) =>
    ["time_s", "mass_g", "cost", "energy_wh"].includes(key),
  );
  const names = { time_s: "Time", mass_g: "Filament", cost: "Money", energy_wh: "Energy" };
  for (const [key, column] of columns) lines.push(`${names[key]}: ${column.source} (${column.basis}).`);
  if (data.regions_overlap) lines.push(`${capital(data.regions_overlap)}.`);
  if (data.heating_source) lines.push(`${capital(data.heating_source)}.`);
  if (data.endings?.check_it) lines.push(`${capital(data.endings.check_it)}.`);
  lines.push(
    "Keys: up and down step layers, left and right go from bead to bead, b changes sides, + and \u2212 zoom, 0 shows all, shift with an arrow moves the view.",
  );
  return lines;
}

function fileName(path) {
  return path.split(/[\\/]/).at(-1);
}
