// What a draughtsman writes around a view: names with leaders, the part's axes, a scale bar, the panel's title.

const LABEL_GAP_PX = 19;
const FONT = 'px "Segoe UI", "Helvetica Neue", "Noto Sans", "Liberation Sans", Arial, system-ui, sans-serif';

function fontSize() {
  return parseFloat(getComputedStyle(document.documentElement).getPropertyValue("--read")) || 15;
}

function annotate(view, panel, scene, titled) {
  const pen = view.context;
  pen.font = fontSize() + FONT;
  pen.textBaseline = "middle";
  pen.lineWidth = 1;
  const { state, data } = view.model;
  if (state.instance < 0) nameInstances(view, panel, scene, data);
  else {
    drawAxes(view, panel);
    nameRegions(view, panel, scene, data);
  }
  drawScaleBar(view, panel);
  if (titled) {
    if (panel.x > 0) rule(pen, view.palette.of("line"), [panel.x + 0.5, 0], [panel.x + 0.5, panel.height]);
    if (panel.y > 0) rule(pen, view.palette.of("line"), [0, panel.y + 0.5], [panel.width, panel.y + 0.5]);
    written(view, panel.name, panel.x + 6, panel.y + 12, "left");
    crossAt(view, panel);
  }
  const instance = data.instances[state.instance];
  const absent = !panel.layer?.beads
    ? "no bead on this layer"
    : instance && !scene.instances.has(state.instance + 1) && `${spoken(instance.key)} is not on this layer`;
  if (absent) written(view, absent, panel.x + panel.width / 2, panel.y + panel.height - 40, "center", "soft");
}

function rule(pen, colour, from, to) {
  pen.strokeStyle = colour;
  pen.beginPath();
  pen.moveTo(...from);
  pen.lineTo(...to);
  pen.stroke();
}

function written(view, text, x, y, align, colour = "ink") {
  const pen = view.context;
  pen.textAlign = align;
  pen.lineJoin = "round";
  pen.lineWidth = 4;
  pen.strokeStyle = view.palette.of("paper");
  pen.strokeText(text, x, y);
  pen.fillStyle = view.palette.of(colour);
  pen.fillText(text, x, y);
  pen.lineWidth = 1;
}

/** The pointer's place in the other panel. */
function crossAt(view, panel) {
  if (!view.at || view.at.panel.name === panel.name) return;
  const [x, y] = view.toScreen(panel, view.at.x, view.at.y).map((value) => Math.round(value) + 0.5);
  rule(view.context, view.palette.of("ink"), [x - 7, y], [x + 7, y]);
  rule(view.context, view.palette.of("ink"), [x, y - 7], [x, y + 7]);
}

/** Names of instances that are large enough to carry one. */
function nameInstances(view, panel, scene, data) {
  for (const place of scene.instances.values()) {
    const instance = data.instances[place.number - 1];
    const [left, bottom] = view.toScreen(panel, ...place.low);
    const [right, top] = view.toScreen(panel, ...place.high);
    if (!instance) continue;
    const room = 1.25 * Math.max(right - left, 22);
    const text = [spoken(instance.key), `#${instance.instance}`].find(
      (words) => view.context.measureText(words).width <= room,
    );
    if (!text) continue;
    written(view, text, (left + right) / 2, bottom + 12 > top ? bottom + 12 : top, "center", "soft");
  }
}

/** Regions of the instance that is looked at: names beside it, leaders to their beads. */
function nameRegions(view, panel, scene, data) {
  const { state } = view.model;
  const body = scene.instances.get(state.instance + 1);
  if (!body || !panel.layer) return;
  const middle = [0, 1].map((axis) => (body.low[axis] + body.high[axis]) / 2);
  const [left] = view.toScreen(panel, ...body.low);
  const [right] = view.toScreen(panel, ...body.high);
  const labels = [];
  for (const place of scene.regions.values()) {
    const region = data.regions[place.number - 1];
    if (
      !region ||
      region.part !== data.instances[state.instance].part ||
      region.instance !== data.instances[state.instance].instance
    )
      continue;
    // Toward the middle of the region, seen from the middle of the part, and no farther: there is a bead of it.
    place.anchor ??= anchorOf(panel.layer, "region", place.number, 2 * place.x - middle[0], 2 * place.y - middle[1]);
    const { anchor } = place;
    const [x, y] = view.toScreen(panel, ...anchor);
    labels.push({ text: region.region, x, y, left: x < (left + right) / 2, at: y });
  }
  for (const side of [true, false]) {
    const column = labels.filter((label) => label.left === side).sort((a, b) => a.y - b.y);
    column.forEach((label, k) => (label.at = k ? Math.max(label.y, column[k - 1].at + LABEL_GAP_PX) : label.y));
    const pen = view.context;
    for (const { text, x, y, at } of column) {
      const width = pen.measureText(text).width;
      const edge = side
        ? Math.max(panel.x + width + 8, left - 20)
        : Math.min(panel.x + panel.width - width - 8, right + 20);
      rule(pen, view.palette.of("ink"), [x, y], [edge + (side ? 4 : -4), at]);
      pen.beginPath();
      pen.arc(x, y, 2.5, 0, 2 * Math.PI);
      pen.fillStyle = view.palette.of("ink");
      pen.fill();
      written(view, text, edge, at, side ? "right" : "left");
    }
  }
}

/** The part's own frame: where its zero is, and which way its x and y go. */
function drawAxes(view, panel) {
  const frame = view.model.frame();
  const [ox, oy] = view.toScreen(panel, frame.x, frame.y);
  const pen = view.context;
  for (const [name, x, y] of [
    ["x", 1, 0],
    ["y", 0, 1],
  ]) {
    const [px, py] = view.toScreen(panel, ...frame.toPlate(x, y));
    const length = Math.hypot(px - ox, py - oy) || 1;
    const [ux, uy] = [(px - ox) / length, (py - oy) / length];
    rule(pen, view.palette.of("soft"), [ox - 5 * ux, oy - 5 * uy], [ox + 26 * ux, oy + 26 * uy]);
    written(view, name, ox + 35 * ux, oy + 35 * uy, "center", "soft");
  }
}

function drawScaleBar(view, panel) {
  const most = clamp(panel.width / 4, 40, 130) / view.view.scale;
  const power = 10 ** Math.floor(Math.log10(most));
  const length = [5, 2, 1].map((k) => k * power).find((value) => value <= most);
  const pixels = length * view.view.scale;
  const [x, y] = [panel.x + 6.5, Math.round(panel.y + panel.height) - 9.5];
  const pen = view.context;
  const ink = view.palette.of("ink");
  rule(pen, ink, [x, y], [x + pixels, y]);
  rule(pen, ink, [x, y - 4], [x, y + 4]);
  rule(pen, ink, [x + pixels, y - 4], [x + pixels, y + 4]);
  written(view, `${Number(length.toPrecision(1))} mm`, x + pixels + 8, y, "left");
}

/** `film-clip #1` for a key as the records have it. */
function spoken(key) {
  return key.replace(/#(\d+)/, " #$1");
}
