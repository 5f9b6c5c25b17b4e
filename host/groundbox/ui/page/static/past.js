// The session so far and earlier ones: lanes on one time axis, zoomed by drag, buttons or keys; saved as CSV and PNG.
import { age, clock, day, make, number } from "/draw.js";

const LANES = [
  { title: "battery voltage, V", digits: 1, low: "battery_min_volts", high: "battery_max_volts", mean: "battery_mean_volts", limits: "volts" },
  { title: "current, A", digits: 1, low: "battery_min_amps", high: "battery_max_amps", mean: "battery_mean_amps" },
  { title: "case temperature, °C; dashed: intake", digits: 1, low: "case_min_c", high: "case_max_c", with: "intake_max_c", limits: "celsius" },
  { title: "humidity in the case, %", digits: 0, low: "humidity_min_percent", high: "humidity_max_percent", mean: "humidity_mean_percent", optional: true },
  { title: "fan drive, %", digits: 0, low: "fan_percent", high: "fan_percent" },
];
const SHORT = { charge: "C", swap: "B", returning: "R", notice: "n", urgent: "u", stop: "S" };
const LETTERS = "C charge, B battery swapped, R returning, n notice, u urgent, S stop";
const LEFT = 54, HEIGHT = 128, TOP = 30;
let shown = null, asked = {}, place = null, canvas = null, drag = null;
const AGAIN_MS = 10000;

export function showPast(section) {
  if (!place) {
    addEventListener("dark", () => canvas?.isConnected && paint());
    setInterval(() => { // the session so far is loaded again, unless a part of it is looked at
      if (!place.hidden && !("since_s" in asked) && !drag && document.activeElement?.tagName !== "SELECT") load(asked);
    }, AGAIN_MS);
  }
  place = section;
  load(asked);
}

async function load(wanted) {
  asked = wanted;
  const began = performance.now();
  let found;
  try {
    found = await (await fetch(`/past?${new URLSearchParams(wanted)}`)).json();
  } catch {
    found = { error: "The computer does not answer. It is asked again in 10 s." };
  }
  if (wanted !== asked) return; // another request was made meanwhile
  if (found.error) { asked = {}; place.replaceChildren(make("p", { role: "alert" }, found.error)); return; } // asked again soon
  shown = found;
  build();
  place.dataset.took = Math.round(performance.now() - began);
}

function build() {
  const held = place.contains(document.activeElement) ? document.activeElement : null;
  fill();
  const same = (one) => one.tagName === held.tagName && one.textContent === held.textContent;
  if (held) [...place.querySelectorAll("canvas, button, select")].find(same)?.focus({ preventScroll: true }); // for the next key
}

function fill() {
  if (!shown.rows.length) { place.replaceChildren(choice(), make("p", {}, "No readings in this time."), tools()); return; }
  canvas = make("canvas", { role: "img", tabindex: 0, "aria-label": summary() });
  canvas.addEventListener("pointerdown", (event) => { drag = [event.offsetX, event.offsetX]; canvas.setPointerCapture(event.pointerId); });
  canvas.addEventListener("pointermove", (event) => { if (drag) { drag[1] = event.offsetX; paint(); } });
  canvas.addEventListener("pointerup", () => {
    const [from, to] = [Math.min(...drag), Math.max(...drag)];
    drag = null;
    if (to - from > 12) zoom(timeAt(from), timeAt(to)); else paint();
  });
  canvas.addEventListener("keydown", (event) => {
    const step = { ArrowLeft: () => shift(-0.3), ArrowRight: () => shift(0.3), "+": () => scaled(0.5), "-": () => scaled(2) }[event.key];
    if (step) { event.preventDefault(); step(); }
  });
  const list = shown.happened.map((one) => make("li", {}, make("time", {}, clock(one.wall_s)), one.words));
  const filled = shown.filled_s ? make("p", {}, `10-second summaries fill ${age(shown.filled_s)} without readings.`) : "";
  const letters = make("p", { class: "letters" }, `Shaded: in flight. ${LETTERS}.`);
  place.replaceChildren(choice(), canvas, letters, filled, tools(), make("h2", {}, "Marks and warnings"), make("ol", { class: "plain" }, ...list));
  new ResizeObserver(paint).observe(canvas);
  paint();
}

function choice() {
  const box = make("select", { onchange: (event) => load({ ...asked, box: event.target.value }) },
    ...shown.boxes.map((name) => make("option", { value: name, selected: name === shown.box }, name)));
  const sessions = make("select", { onchange: (event) => { const [since_s, until_s] = shown.sessions[event.target.value]; load({ box: shown.box, since_s, until_s }); } },
    make("option", { value: "" }, "newest"),
    ...shown.sessions.map(([since_s], index) => make("option", { value: index }, `${day(since_s)} ${clock(since_s)}`)).reverse());
  return make("div", { class: "bar" }, make("label", {}, "box", box), make("label", {}, "session", sessions));
}

function tools() {
  const button = (words, act) => make("button", { type: "button", onclick: act }, words);
  return make("div", { class: "bar" }, button("Zoom in", () => scaled(0.5)), button("Zoom out", () => scaled(2)), button("Earlier", () => shift(-0.5)), button("Later", () => shift(0.5)),
    button("Whole session", () => load({ box: shown.box })), button("Save CSV", csv), button("Save PNG", png));
}

const zoom = (since_s, until_s) => load({ box: shown.box, since_s, until_s });
const timeAt = (x) => shown.since_s + ((x - LEFT) / (canvas.clientWidth - LEFT - 8)) * (shown.until_s - shown.since_s);
const shift = (fraction) => { const by = (shown.until_s - shown.since_s) * fraction; zoom(shown.since_s + by, shown.until_s + by); };
function scaled(by) {
  const middle = (shown.since_s + shown.until_s) / 2, half = Math.max(((shown.until_s - shown.since_s) / 2) * by, 15);
  zoom(middle - half, middle + half);
}

const column = (name) => shown.names.indexOf(name) + 1;
function range(name, pick) {
  const values = shown.rows.map((row) => row[column(name)]).filter((value) => value !== null);
  return values.length ? pick(...values) : null;
}

function reach(value, lane, pick) { // the second line belongs to the lane too
  const other = lane.with ? range(lane.with, pick) : null;
  return value === null || other === null ? value : pick(value, other);
}

function summary() {
  const low = range("battery_min_volts", Math.min), hot = range("case_max_c", Math.max);
  return `${shown.box} from ${clock(shown.since_s)} to ${clock(shown.until_s)}: minimum voltage ${number(low, 2, "V")}, maximum case temperature ${number(hot, 1, "°C")}, ${shown.happened.length} marks and warnings, listed below`;
}

function paint() {
  const lanes = LANES.filter((lane) => !lane.optional || range(lane.low, Math.min) !== null);
  const width = canvas.clientWidth, height = TOP + lanes.length * HEIGHT + 22, dense = devicePixelRatio || 1;
  canvas.style.height = `${height}px`;
  canvas.width = width * dense;
  canvas.height = height * dense;
  const pen = canvas.getContext("2d"), style = getComputedStyle(document.documentElement);
  const ink = (name) => style.getPropertyValue(`--${name}`).trim();
  pen.scale(dense, dense);
  pen.fillStyle = ink("card");
  pen.fillRect(0, 0, width, height);
  pen.font = "600 13px system-ui, sans-serif";
  const x = (t) => LEFT + ((t - shown.since_s) / (shown.until_s - shown.since_s)) * (width - LEFT - 8);
  flights(pen, x, height, ink);
  lanes.forEach((lane, index) => drawLane(pen, lane, TOP + index * HEIGHT, width, x, ink));
  axis(pen, x, height, width, ink);
  if (drag) { pen.globalAlpha = 0.25; pen.fillStyle = ink("notice"); pen.fillRect(drag[0], TOP, drag[1] - drag[0], height - TOP - 22); pen.globalAlpha = 1; }
}

function flights(pen, x, height, ink) {
  let launched = null;
  for (const one of [...shown.happened, { what: "end", wall_s: shown.until_s }]) {
    if (one.what === "launch") launched = one.wall_s;
    if ((one.what === "landing" || one.what === "end") && launched !== null) {
      pen.globalAlpha = 0.55; pen.fillStyle = ink("band"); pen.fillRect(x(launched), TOP, x(one.wall_s) - x(launched), height - TOP - 22); pen.globalAlpha = 1;
      pen.fillStyle = ink("ink"); pen.fillText("flight", x(launched) + 3, 13);
      launched = null;
    }
    const letter = SHORT[one.what];
    if (!letter) continue;
    pen.strokeStyle = pen.fillStyle = ink(one.what in { notice: 0, urgent: 0, stop: 0 } ? one.what : "ink");
    pen.setLineDash([3, 3]); pen.beginPath(); pen.moveTo(x(one.wall_s), TOP); pen.lineTo(x(one.wall_s), height - 22); pen.stroke(); pen.setLineDash([]);
    pen.fillText(letter, x(one.wall_s) - 4, 26);
  }
}

function drawLane(pen, lane, top, width, x, ink) {
  const low = reach(range(lane.low, Math.min), lane, Math.min), high = reach(range(lane.high, Math.max), lane, Math.max);
  pen.strokeStyle = ink("line"); pen.lineWidth = 1; pen.strokeRect(LEFT, top, width - LEFT - 8, HEIGHT - 14);
  pen.fillStyle = ink("ink"); pen.textAlign = "left"; pen.fillText(lane.title, LEFT + 5, top + 14);
  if (low === null) { pen.fillText("no reading", LEFT + 5, top + 40); return; }
  const pad = Math.max((high - low) * 0.12, 0.05), bottom = low - pad, tall = high + pad * 2.2 - bottom;
  const y = (value) => top + (HEIGHT - 14) * (1 - (value - bottom) / tall);
  pen.textAlign = "right"; pen.fillStyle = ink("soft");
  pen.fillText(high.toFixed(lane.digits), LEFT - 5, y(high) + 4);
  if (y(low) - y(high) > 15) pen.fillText(low.toFixed(lane.digits), LEFT - 5, y(low) + 4);
  pen.textAlign = "left";
  const step_s = shown.rows.length > 1 ? shown.rows[1][0] - shown.rows[0][0] : 1;
  pen.fillStyle = ink("band-ink"); pen.globalAlpha = 0.45;
  for (const row of shown.rows) {
    const [a, b] = [row[column(lane.low)], row[column(lane.high)]];
    if (a === null || b === null) continue;
    pen.fillRect(x(row[0]), y(b), Math.max(x(row[0] + step_s) - x(row[0]), 1), Math.max(y(a) - y(b), 1.5));
  }
  pen.globalAlpha = 1;
  for (const [name, value] of shown.limits[lane.limits] ?? []) {
    if (value <= bottom || value >= bottom + tall) continue;
    pen.strokeStyle = pen.fillStyle = ink(name in { notice: 0, urgent: 0, stop: 0 } ? name : "ink"); pen.lineWidth = 1.5; pen.setLineDash([8, 4]);
    pen.beginPath(); pen.moveTo(LEFT, y(value)); pen.lineTo(width - 8, y(value)); pen.stroke(); pen.setLineDash([]);
    pen.textAlign = "right"; pen.fillText(`${name}: ${value.toFixed(1)}`, width - 12, y(value) - 3); pen.textAlign = "left";
  }
  for (const [name, color, dash] of [[lane.mean ?? lane.high, "band-ink", []], [lane.with, "notice", [5, 3]]]) {
    if (name) line(pen, name, x, y, ink(color), dash, step_s);
  }
}

function line(pen, name, x, y, color, dash, step_s) {
  pen.strokeStyle = color; pen.lineWidth = 2; pen.setLineDash(dash); pen.beginPath();
  let before = null;
  for (const row of shown.rows) {
    const value = row[column(name)];
    if (value === null) continue;
    const joined = before !== null && row[0] - before < Math.max(step_s * 4, 60);
    if (joined) pen.lineTo(x(row[0]), y(value)); else pen.moveTo(x(row[0]), y(value));
    before = row[0];
  }
  pen.stroke(); pen.setLineDash([]);
}

function axis(pen, x, height, width, ink) {
  const whole = shown.until_s - shown.since_s, ticks = Math.max(Math.floor(width / 90), 2);
  const step = [15, 30, 60, 300, 600, 1800, 3600, 7200, 14400, 43200, 86400, 604800].find((one) => whole / one <= ticks) ?? 2592000;
  pen.fillStyle = ink("ink"); pen.textAlign = "center";
  for (let t = Math.ceil(shown.since_s / step) * step; t <= shown.until_s; t += step) {
    if (x(t) > LEFT + 14 && x(t) < width - 24) pen.fillText(step < 60 ? clock(t, true) : step > 80000 ? day(t) : clock(t), x(t), height - 7);
  }
  pen.textAlign = "left";
}

function save(blob, ending) {
  const link = make("a", { href: URL.createObjectURL(blob), download: `${shown.box}-${day(shown.since_s)}-${clock(shown.since_s).replace(":", "")}.${ending}` });
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
}

function csv() {
  const cell = (value) => (value === null ? "" : String(value).includes(",") ? `"${value}"` : value);
  const rows = [["start_s", ...shown.names], ...shown.rows].map((row) => row.map(cell).join(","));
  save(new Blob([`${rows.join("\n")}\n`], { type: "text/csv" }), "csv");
}

const png = () => canvas.toBlob((blob) => save(blob, "png"));
