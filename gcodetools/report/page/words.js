// Numbers and words, and elements made of them. Text from files reaches the page by textContent only.

const MINUS = "\u2212";
const TIMES = "\u00d7";
const AMPLE = 10; // a margin so large that its size says nothing
const FINE = 2; // below this two decimals decide

/** A number to `count` significant figures, plainly written: 0.23, 51, 1,700. */
function figures(value, count = 2) {
  if (!Number.isFinite(value)) return "?";
  if (value === 0) return "0";
  const rounded = Number(Math.abs(value).toPrecision(count));
  const digits = Math.max(0, count - 1 - Math.floor(Math.log10(rounded) + 1e-9));
  const text = rounded.toLocaleString("en", { minimumFractionDigits: digits, maximumFractionDigits: digits });
  return (value < 0 ? MINUS : "") + text;
}

/** A margin, as the sentences write it: two decimals while it decides. */
function marginText(value, fine) {
  return fine ? value.toFixed(2) : figures(value);
}

/** `1.16 (0.58 to 1.50)`; `over 10` where the size says nothing. */
function marginBand(band) {
  if (band.low > AMPLE) return `over ${AMPLE}`;
  const fine = band.best < FINE;
  const [low, best, high] = [band.low, band.best, band.high].map((value) => marginText(value, fine));
  return low === best && best === high ? best : `${best} (${low} to ${high})`;
}

/** `51 g (48 to 54, modelled)`, with a sign where it is a difference. */
function bandText(band, unit, signed = false) {
  const show = (value) => (signed && value > 0 ? "+" : "") + figures(value);
  const [low, best, high] = [band.low, band.best, band.high].map(show);
  const inner = low === high ? band.basis : `${low} to ${high}, ${band.basis}`;
  return `${best}${unit ? "\u00a0" + unit : ""}${inner ? ` (${inner})` : ""}`;
}

/** `5 h 07 min`, `1 min 28 s`, `13 s`; a sign where it is a difference. */
function clock(seconds, signed = false) {
  const total = Math.round(Math.abs(seconds));
  const sign = seconds < 0 && total > 0 ? MINUS : signed && total > 0 ? "+" : "";
  const two = (value) => String(value).padStart(2, "0");
  if (total < 60) return `${sign}${total}\u00a0s`;
  if (total < 3600) return `${sign}${Math.floor(total / 60)}\u00a0min ${two(total % 60)}\u00a0s`;
  const minutes = Math.round(total / 60);
  return `${sign}${Math.floor(minutes / 60)}\u00a0h ${two(minutes % 60)}\u00a0min`;
}

/** A span of time to the minute where seconds say nothing: `50 min`, `7 h 09 min`, `4 min 12 s`. */
function roughClock(seconds, signed = false) {
  if (Math.abs(seconds) < 600 || Math.abs(seconds) >= 3570) return clock(seconds, signed);
  return `${seconds < 0 ? MINUS : signed ? "+" : ""}${Math.round(Math.abs(seconds) / 60)}\u00a0min`;
}

/** A length to a hundredth of a millimetre, its minus sign as wide as a figure. */
function mm(value, digits = 2) {
  const text = value.toFixed(digits);
  return Number(text) === 0 ? text.replace("-", "") : text.replace("-", MINUS);
}

/** `one`, `two`, ... as far as words are shorter than thought. */
function counted(count) {
  return ["none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"][count] ?? String(count);
}

function plural(count, one, many = `${one}s`) {
  return `${count.toLocaleString("en")} ${count === 1 ? one : many}`;
}

function capital(text) {
  return text.charAt(0).toUpperCase() + text.slice(1);
}

function listed(items) {
  return items.length < 2 ? items.join("") : `${items.slice(0, -1).join(", ")} and ${items.at(-1)}`;
}

function byId(id) {
  return document.getElementById(id);
}

/** An element with properties, attributes (`data-`, `aria-`, `role`, ...) and children. */
function make(tag, given = {}, ...children) {
  const element = document.createElement(tag);
  for (const [key, value] of Object.entries(given)) {
    if (value === undefined || value === false) continue;
    if (key === "on") for (const [name, call] of Object.entries(value)) element.addEventListener(name, call);
    else element.setAttribute(key, value === true ? "" : String(value));
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

/** An SVG element; `text` becomes its text. */
function draw(tag, given = {}, text = undefined) {
  const element = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [key, value] of Object.entries(given)) {
    if (value !== undefined) element.setAttribute(key, String(value));
  }
  if (text !== undefined) element.textContent = text;
  return element;
}

/** Even steps (1, 2 or 5 times a power of ten) between two values, about `count` of them. */
function ticks(low, high, count) {
  if (!(high > low)) return [low];
  const rough = (high - low) / Math.max(1, count);
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((k) => k * power).find((k) => k >= rough * 0.999);
  const first = Math.ceil(low / step - 1e-9);
  const last = Math.floor(high / step + 1e-9);
  const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  return Array.from({ length: last - first + 1 }, (_, k) => Number(((first + k) * step).toFixed(digits)));
}

function clamp(value, low, high) {
  return Math.min(high, Math.max(low, value));
}
