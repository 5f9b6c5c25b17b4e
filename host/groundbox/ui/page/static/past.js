// The session so far and earlier ones: lanes on one time axis, zoomed by drag, buttons or keys; kept as CSV and PNG.
import { clock, make, number, span } from "/draw.js";

const LANES = [
  { title: "battery, V", digits: 1, low: "battery_min_volts", high: "battery_max_volts", mean: "battery_mean_volts" },
  { title: "current, A", digits: 1, low: "battery_min_amps", high: "battery_max_amps", mean: "battery_mean_amps" },
  { title: "case, C", digits: 1, low: "case_min_c", high: "case_max_c", with: "intake_max_c" },
  { title: "fans, %", digits: 0, low: "fan_percent", high: "fan_percent" },
];
const LEFT = 54, HEIGHT = 128, TOP = 30;
let told = null, asked = {}, place = null, canvas = null, drag = null;

const AGAIN_MS = 10000;

export function showPast(section) {
  if (!place) {
    addEventListener("dusk", () => canvas?.isConnected && paint());
    setInterval(() => { // the session so far goes on, unless a part of it is looked at
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
    found = { error: "The computer does not answer." };
  }
  if (wanted !== asked) return; // something else was asked meanwhile
  if (found.error) { asked = {}; place.replaceChildren(make("p", { role: "alert" }, found.error)); return; } // asked again soon
  told = found;
  build();
  place.dataset.took = Math.round(performance.now() - began);
}

function build() {
  const held = place.contains(document.activeElement) ? document.activeElement : null;
  fill();
  const same = (one) => one.tagName === held.tagName && one.textContent === held.textContent;
  if (held) [...place.querySelectorAll("canvas, button, select")].find(same)?.focus({ preventScroll: true }); // keys go on
}

function fill() {
  if (!told.rows.length) { place.replaceChildren(choice(), make("p", {}, "Nothing recorded in this time yet."), tools()); return; }
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
  const list = told.happened.map((one) => make("li", {}, make("time", {}, clock(one.wall_s)), one.words));
  const filled = told.filled_s ? make("p", {}, `10-second summaries fill ${span(told.filled_s)}.`) : "";
  place.replaceChildren(choice(), canvas, filled, tools(), make("h2", {}, "Marks and warnings"), make("ol", { class: "plain" }, ...list));
  new ResizeObserver(paint).observe(canvas);
  paint();
}

function choice() {
  const box = make("select", { onchange: (event) => load({ ...asked, box: event.target.value }) },
    ...told.boxes.map((name) => make("option", { value: name, selected: name === told.box }, name)));
  const sessions = make("select", { onchange: (event) => { const [since_s, until_s] = told.sessions[event.target.value]; load({ box: told.box, since_s, until_s }); } },
    make("option", { value: "" }, "this one"),
    ...told.sessions.map(([since_s], index) => make("option", { value: index }, new Date(since_s * 1000).toLocaleString("en-GB", { dateStyle: "medium", timeStyle: "short" }))).reverse());
  return make("div", { class: "bar" }, make("label", {}, "box", box), make("label", {}, "session", sessions));
}

function tools() {
  const button = (words, act) => make("button", { type: "button", onclick: act }, words);
  return make("div", { class: "bar" }, button("Closer", () => scaled(0.5)), button("Wider", () => scaled(2)), button("Earlier", () => shift(-0.5)), button("Later", () => shift(0.5)),
    button("Whole session", () => load({ box: told.box })), button("Save CSV", csv), button("Save PNG", png));
}

const zoom = (since_s, until_s) => load({ box: told.box, since_s, until_s });
const timeAt = (x) => told.since_s + ((x - LEFT) / (canvas.clientWidth - LEFT - 8)) * (told.until_s - told.since_s);
const shift = (share) => { const by = (told.until_s - told.since_s) * share; zoom(told.since_s + by, told.until_s + by); };
function scaled(by) {
  const middle = (told.since_s + told.until_s) / 2, half = Math.max(((told.until_s - told.since_s) / 2) * by, 15);
  zoom(middle - half, middle + half);
}

const column = (name) => told.names.indexOf(name) + 1;
function range(name, pick) {
  const values = told.rows.map((row) => row[column(name)]).filter((value) => value !== null);
  return values.length ? pick(...values) : null;
}

function least(value, lane, pick) { // the second line belongs into the lane too
  const other = lane.with ? range(lane.with, pick) : null;
  return value === null || other === null ? value : pick(value, other);
}

function summary() {
  const low = range("battery_min_volts", Math.min), hot = range("case_max_c", Math.max);
  return `${told.box} from ${clock(told.since_s)} to ${clock(told.until_s)}: lowest voltage ${number(low, 2, "V")}, hottest case ${number(hot, 1, "C")}, ${told.happened.length} marks and warnings, listed below`;
}

function paint() {
  const width = canvas.clientWidth, height = TOP + LANES.length * HEIGHT + 22, dense = devicePixelRatio || 1;
  canvas.style.height = `${height}px`;
  canvas.width = width * dense;
  canvas.height = height * dense;
  const pen = canvas.getContext("2d"), style = getComputedStyle(document.documentElement);
  const ink = (name) => style.getPropertyValue(`--${name}`).trim();
  pen.scale(dense, dense);
  pen.fillStyle = ink("card");
  pen.fillRect(0, 0, width, height);
  pen.font = "600 13px system-ui, sans-serif";
  const x = (t) => LEFT + ((t - told.since_s) / (told.until_s - told.since_s)) * (width - LEFT - 8);
  flights(pen, x, height, ink);
  LANES.forEach((lane, index) => drawLane(pen, lane, TOP + index * HEIGHT, width, x, ink));
  axis(pen, x, height, width, ink);
  if (drag) { pen.globalAlpha = 0.25; pen.fillStyle = ink("notice"); pen.fillRect(drag[0], TOP, drag[1] - drag[0], height - TOP - 22); pen.globalAlpha = 1; }
}

function flights(pen, x, height, ink) {
  let launched = null;
  for (const one of [...told.happened, { what: "end", wall_s: told.until_s }]) {
    if (one.what === "launch") launched = one.wall_s;
    if ((one.what === "landing" || one.what === "end") && launched !== null) {
      pen.globalAlpha = 0.55; pen.fillStyle = ink("band"); pen.fillRect(x(launched), TOP, x(one.wall_s) - x(launched), height - TOP - 22); pen.globalAlpha = 1;
      pen.fillStyle = ink("ink"); pen.fillText("flight", x(launched) + 3, 13);
      launched = null;
    }
    const letter = { charge: "C", swap: "B", notice: "n", urgent: "u", stop: "S" }[one.what];
    if (!letter) continue;
    pen.strokeStyle = pen.fillStyle = ink({ charge: "good", swap: "good" }[one.what] ?? one.what);
    pen.setLineDash([3, 3]); pen.beginPath(); pen.moveTo(x(one.wall_s), TOP); pen.lineTo(x(one.wall_s), height - 22); pen.stroke(); pen.setLineDash([]);
    pen.fillText(letter, x(one.wall_s) - 4, 26);
  }
}

function drawLane(pen, lane, top, width, x, ink) {
  const low = least(range(lane.low, Math.min), lane, Math.min), high = least(range(lane.high, Math.max), lane, Math.max);
  pen.strokeStyle = ink("line"); pen.lineWidth = 1; pen.strokeRect(LEFT, top, width - LEFT - 8, HEIGHT - 14);
  pen.fillStyle = ink("ink"); pen.textAlign = "left"; pen.fillText(lane.title, LEFT + 5, top + 14);
  if (low === null) { pen.fillText("no reading", LEFT + 5, top + 40); return; }
  const pad = Math.max((high - low) * 0.12, 0.05), bottom = low - pad, reach = high + pad * 2.2 - bottom;
  const y = (value) => top + (HEIGHT - 14) * (1 - (value - bottom) / reach);
  pen.textAlign = "right"; pen.fillStyle = ink("soft");
  pen.fillText(high.toFixed(lane.digits), LEFT - 5, y(high) + 4);
  if (y(low) - y(high) > 15) pen.fillText(low.toFixed(lane.digits), LEFT - 5, y(low) + 4);
  pen.textAlign = "left";
  const step_s = told.rows.length > 1 ? told.rows[1][0] - told.rows[0][0] : 1;
  pen.fillStyle = ink("band-ink"); pen.globalAlpha = 0.45;
  for (const row of told.rows) {
    const [a, b] = [row[column(lane.low)], row[column(lane.high)]];
    if (a === null || b === null) continue;
    pen.fillRect(x(row[0]), y(b), Math.max(x(row[0] + step_s) - x(row[0]), 1), Math.max(y(a) - y(b), 1.5));
  }
  pen.globalAlpha = 1;
  for (const [name, color, dash] of [[lane.mean ?? lane.high, "band-ink", []], [lane.with, "notice", [5, 3]]]) {
    if (name) line(pen, name, x, y, ink(color), dash, step_s);
  }
}

function line(pen, name, x, y, color, dash, step_s) {
  pen.strokeStyle = color; pen.lineWidth = 2; pen.setLineDash(dash); pen.beginPath();
  let before = null;
  for (const row of told.rows) {
    const value = row[column(name)];
    if (value === null) continue;
    const joined = before !== null && row[0] - before < Math.max(step_s * 4, 60);
    if (joined) pen.lineTo(x(row[0]), y(value)); else pen.moveTo(x(row[0]), y(value));
    before = row[0];
  }
  pen.stroke(); pen.setLineDash([]);
}

function axis(pen, x, height, width, ink) {
  const whole = told.until_s - told.since_s, most = Math.max(Math.floor(width / 90), 2);
  const step = [15, 30, 60, 300, 600, 1800, 3600, 7200, 14400, 43200, 86400, 604800].find((one) => whole / one <= most) ?? 2592000;
  pen.fillStyle = ink("ink"); pen.textAlign = "center";
  for (let t = Math.ceil(told.since_s / step) * step; t <= told.until_s; t += step) {
    if (x(t) > LEFT + 14 && x(t) < width - 24) pen.fillText(step < 60 ? clock(t, true) : step > 80000 ? new Date(t * 1000).toLocaleDateString("en-GB") : clock(t), x(t), height - 7);
  }
  pen.textAlign = "left";
}

function keep(blob, ending) {
  const link = make("a", { href: URL.createObjectURL(blob), download: `${told.box}-${new Date(told.since_s * 1000).toISOString().slice(0, 16).replace(":", "")}.${ending}` });
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
}

function csv() {
  const cell = (value) => (value === null ? "" : String(value).includes(",") ? `"${value}"` : value);
  const rows = [["start_ms", ...told.names], ...told.rows].map((row) => row.map(cell).join(","));
  keep(new Blob([`${rows.join("\n")}\n`], { type: "text/csv" }), "csv");
}

const png = () => canvas.toBlob((blob) => keep(blob, "png"));
