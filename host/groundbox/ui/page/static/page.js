// The live page: shows the newest advice, marks what is stale, and speaks. It decides nothing: it formats and counts ages.
import { age, clock, make, needed, shape, takeZone, toneOf } from "/draw.js";
import { dayWords, figures, findings, headline, loads, runtime, severityWord, turnBack } from "/figures.js";
import { showPast } from "/past.js";
import { showPlan } from "/plan.js";
import { clearVoice, isOn, soundButton, speak } from "/voice.js";

const $ = (id) => document.getElementById(id);
const MISSED_S = 5; // no message for so long: marks wait, and a new connection is made
const NOTE_MS = 20000, BUSY_MS = 1200, SURE_MS = 4000;
let published = null, mayMark = false, source = null, madeMs = Date.now(), askedMs = 0;
let sure = {}; // the switch that was touched once
let pressed = false;
const busy = new Map(), articles = new Map();

// --- the connection ---

function connect() {
  source?.close();
  askedMs = Date.now();
  source = new EventSource("/events");
  source.onmessage = (event) => take(JSON.parse(event.data));
}

function take(message) {
  if (!message.published) return;
  if (message.published.advice.made_at_s !== published?.advice.made_at_s) silentSpoken = null;
  madeMs = Date.now() - 1000 * message.age_s;
  published = message.published;
  mayMark = message.may_mark;
  takeZone(published.advice.made_at);
  clearTimeout(soon);
  soon = setTimeout(() => { hear(); draw(); }, 50); // of many that arrive at once after a sleep, the newest
}
let soon = 0;

const age_s = () => (Date.now() - madeMs) / 1000;
const disconnected = () => age_s() > MISSED_S;

function look() {
  const waits = source && source.readyState === EventSource.CONNECTING && Date.now() - askedMs < 4000;
  if (disconnected() && Date.now() - askedMs > 2000 && !waits && (!document.hidden || isOn())) connect();
  if (published && age_s() > 2) { hearSilence(); draw(); }
}

document.addEventListener("visibilitychange", () => {
  if (!document.hidden) connect();
  else if (!isOn()) { source?.close(); source = null; }
});
window.addEventListener("online", connect);
addEventListener("pointerdown", () => { pressed = true; });
for (const kind of ["pointerup", "pointercancel"]) addEventListener(kind, () => { pressed = false; });

async function post(path, body, key) {
  busy.set(key, Date.now() + BUSY_MS);
  draw();
  try {
    const answer = await fetch(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
    const found = await answer.json();
    if (answer.status === 409) ask(found.ask, () => post(path, { ...body, confirmed: true }, key));
    else if (!answer.ok) trouble(found.error);
    else if (found.done || found.cautions) note([found.done, ...(found.cautions ?? []).map((one) => `${one}.`)].filter(Boolean).join(" "));
  } catch {
    trouble("The computer does not answer. Nothing was recorded.");
  }
}

// A mark against advice is asked about once.
function ask(words, yes) {
  $("ask-words").textContent = words;
  $("ask-yes").onclick = () => { $("ask").close(); yes(); };
  $("ask").showModal();
}
$("ask-no").addEventListener("click", () => $("ask").close());

let troubleUntil = 0;
function trouble(words) {
  troubleUntil = Date.now() + 8000;
  $("trouble").textContent = words;
  $("trouble").hidden = false;
}

function note(words) {
  $("note").textContent = words;
  setTimeout(() => { if ($("note").textContent === words) $("note").textContent = ""; }, NOTE_MS);
}

// --- what is heard ---

let silentSpoken = null;
const spoken = new Set(); // cues, by number and time: numbers start again with each recorder run

function hear() {
  for (const cue of published.advice.cues) {
    const key = `${cue.number} ${cue.at_s}`;
    if (!published.speak.includes(cue.number) || spoken.has(key)) continue;
    spoken.add(key);
    speak(cue.spoken, cue.severity);
  }
  clearVoice();
}

// Each row of the recorder's own words for its silence is spoken once.
function hearSilence() {
  const row = silentRow(published.advice.if_silent);
  if (!row || row.after_s === silentSpoken) return;
  silentSpoken = row.after_s;
  speak(row.spoken, row.severity);
}

// --- what is seen ---

const silentRow = (rows) => rows.filter((row) => age_s() >= row.after_s).at(-1) ?? null;

// The advice; without newer advice for so long, as its own rows for silence give it.
function aged(advice) {
  const row = silentRow(advice.if_silent);
  return row ? { ...advice, ...row, silent: true, turn_back_stale: true, turn_back_moved: "" } : { ...advice, silent: false };
}

function draw() {
  if (pressed || !published) return;
  const advice = aged(published.advice);
  if (disconnected()) {
    const words = "No data from the recorder: the values here are stale. The page connects again by itself. Marks wait until then.";
    if ($("trouble").hidden || Date.now() > troubleUntil) { if ($("trouble").textContent !== words) $("trouble").textContent = words; }
    $("trouble").hidden = false;
  } else if (Date.now() > troubleUntil) $("trouble").hidden = true;
  drawVerdict(advice);
  const stale = disconnected() ? `, data stale: ${age(age_s())}` : "";
  $("flight").textContent = `${clock(advice.made_at_s, true)}${stale}, ${flightWords(advice)}`;
  drawAircraft(advice.flight);
  const held = document.activeElement?.dataset?.key;
  drawBoxes(advice.boxes);
  if (held && document.activeElement?.dataset?.key !== held) document.querySelector(`[data-key="${CSS.escape(held)}"]`)?.focus({ preventScroll: true });
  $("said").replaceChildren(...published.said.slice(-12).reverse().map((one) => make("li", {}, make("time", {}, clock(one.wall_s)), one.text)));
}

function drawVerdict(advice) {
  const place = $("verdict"), key = JSON.stringify([advice.verdict, advice.severity, advice.headline, advice.action]);
  if (place.dataset.key === key) return;
  Object.assign(place.dataset, { key, tone: toneOf(advice), verdict: advice.verdict });
  place.hidden = false;
  const action = advice.action ? make("p", { class: "action" }, `${advice.action}.`) : null;
  place.replaceChildren(...[severityWord(advice.severity), make("p", { class: "headline" }, ...headline(advice.headline)), action].filter(Boolean));
}

function flightWords(advice) {
  const flight = advice.flight;
  if (!flight.in_flight) return "on the ground";
  const returning = flight.returning ? ", the pilot is returning" : "";
  if (flight.landing_at_s === null) return `in flight${returning}`;
  const left_s = flight.landing_at_s - advice.made_at_s - (disconnected() ? age_s() : 0);
  return `in flight${returning}, landing ${left_s >= 0 ? `planned in ${needed(left_s)}` : `overdue by ${age(-left_s)}`}`;
}

function button(words, key, act, more = {}) {
  const disabled = disconnected() || (busy.get(key) ?? 0) > Date.now();
  return make("button", { type: "button", "data-key": key, disabled, onclick: act, ...more }, words);
}

function markButton(kind, words, box, more = () => ({})) {
  const key = `${kind}-${box}`, label = box === "*" ? {} : { "aria-label": `${words}: ${box}` };
  return button(words, key, () => post("/mark", { kind, box, ...more() }, key), { "data-mark": kind, ...label });
}

function flightButtons(box, flight, name = "") {
  const shared = published.shared, of = name ? ` ${name}` : "";
  return [
    shared || !flight.in_flight ? markButton("launch", `Mark launch${of}`, box) : null,
    shared || (flight.in_flight && !flight.returning) ? markButton("returning", `Pilot is returning${of}`, box) : null,
    shared || flight.in_flight ? markButton("landing", `Mark landing${of}`, box) : null,
  ].filter(Boolean);
}

const undo = () => button("Undo last mark", "undo", () => post("/mark", { kind: "undo" }, "undo"), { "data-mark": "undo" });

function drawAircraft(flight) {
  const place = $("aircraft"), waiting = ["launch-*", "returning-*", "landing-*", "undo"].filter((key) => (busy.get(key) ?? 0) > Date.now());
  const key = JSON.stringify([flight.in_flight, flight.returning, mayMark, disconnected(), published.groups, waiting]);
  if (place.dataset.drawn === key) return;
  place.dataset.drawn = key;
  if (!mayMark) { place.replaceChildren(make("p", {}, "This viewer may look, not mark.")); return; }
  const groups = published.groups.flatMap((name) => flightButtons(name, flight, name));
  place.replaceChildren(...(published.shared ? groups : flightButtons("*", flight)), undo());
}

// The marks of a box are drawn again only when they change, so an open list of batteries is not closed.
function drawBoxes(boxes) {
  const names = boxes.map((box) => box.box);
  if (JSON.stringify([...articles.keys()]) !== JSON.stringify(names) || !articles.size) {
    articles.clear();
    for (const name of names) {
      const values = make("div"), acts = make("div", { class: "acts" });
      articles.set(name, { root: make("article", { "data-box": name, "aria-labelledby": `box-${name}` }, values, acts), values, acts });
    }
    $("boxes").replaceChildren(...(names.length ? [...articles.values()].map((one) => one.root) : [make("p", {}, "No box heard yet.")]));
  }
  boxes.forEach((box) => drawBox(articles.get(box.box), aged(box)));
}

function drawBox(place, box) {
  const read = box.readings, data_s = read.age_s === null ? null : read.age_s + (disconnected() ? age_s() : 0);
  const stale = data_s === null || data_s > box.stale_after_s || box.silent;
  Object.assign(place.root.dataset, { tone: toneOf(box), verdict: box.verdict, stale: String(stale) });
  place.values.replaceChildren(...[
    make("h2", { id: `box-${box.box}` }, make("span", { class: "name" }, box.box), severityWord(box.severity),
      make("span", { class: "battery" }, box.battery ? `battery ${box.battery}` : ""),
      stale ? make("span", { class: "age" }, data_s === null ? "no data" : `stale: ${age(data_s)}`) : null),
    make("p", { class: "headline" }, ...headline(box.headline)),
    box.action ? make("p", { class: "action" }, `${box.action}.`) : null,
    turnBack(box), runtime(box), dayWords(box), warnings(box), figures(box, stale), loads(box), findings(box), switches(box),
  ].filter(Boolean));
  drawActs(place.acts, box);
}

function warnings(box) {
  if (!box.warnings.length) return null;
  return make("ul", { class: "warnings", "aria-label": `Warnings of ${box.box}` }, ...box.warnings.map((one) => {
    const key = `acknowledge-${box.box}-${one.kind}`;
    return make("li", { "data-tone": one.severity, "data-warning": one.kind },
      shape(one.severity), make("span", {}, make("b", {}, one.severity), one.sentence, one.acknowledged ? " (acknowledged)" : ""),
      mayMark && !one.acknowledged ? button("Acknowledge", key, () => post("/acknowledge", { box: box.box, warning: one.kind }, key),
        { "aria-label": `Acknowledge ${one.kind.replaceAll("_", " ")} of ${box.box}` }) : make("span"));
  }));
}

// Sheddable outputs: two touches, so that a sleeve switches nothing.
function switches(box) {
  if (!mayMark || box.silent || !box.outputs.length) return null;
  return make("div", { class: "acts" }, ...box.outputs.map((output) => {
    const want = output.on ? "off" : "on", key = `output-${box.box}-${output.output}`;
    const what = output.loads.length ? output.loads.join(", ") : `output ${output.output}`;
    const again = sure.key === key && sure.want === want && Date.now() < sure.until;
    const act = () => {
      if (!again) { sure = { key, want, until: Date.now() + SURE_MS }; draw(); return; }
      sure = {};
      post("/command", { command: "switch", box: box.box, output: output.output, want }, key);
    };
    const shed = output.state === "shed" ? " (shed by the board)" : "";
    return button(again ? `Touch again: switch ${what} ${want}` : `Switch ${what} ${want}${shed}`, key, act, { "data-output": output.output, "aria-pressed": String(again) });
  }));
}

function drawActs(place, box) {
  const loud = box.warnings.some((one) => ["urgent", "stop"].includes(one.severity) && !one.acknowledged), name = box.box, flight = published.advice.flight;
  const waiting = [...busy].filter(([key, until]) => key.endsWith(`-${name}`) && until > Date.now()).map(([key]) => key);
  const drawn = JSON.stringify([mayMark, loud, disconnected(), published.batteries, published.shared, waiting]);
  if (place.dataset.drawn === drawn) return;
  place.dataset.drawn = drawn;
  if (!mayMark) { place.replaceChildren(); return; }
  const key = `battery-${name}`, select = make("select", { "data-key": key, "aria-label": `Battery put into ${name}` },
    make("option", { value: "" }, "which battery?"), ...published.batteries.map((one) => make("option", { value: one }, one)));
  select.value = place.querySelector("select")?.value ?? "";
  place.replaceChildren(...[
    loud ? button("Silence buzzer", `silence-${name}`, () => post("/command", { command: "silence", box: name }, `silence-${name}`), { "data-command": "silence", "aria-label": `Silence buzzer: ${name}` }) : null,
    ...(published.shared ? flightButtons(name, flight) : []),
    markButton("charge", "Mark charge", name), select, markButton("swap", "Mark swap", name, () => ({ name: select.value || null })),
  ].filter(Boolean));
}

// --- views and light ---

for (const one of document.querySelectorAll("nav button")) {
  one.addEventListener("click", () => {
    for (const other of document.querySelectorAll("nav button")) other.removeAttribute("aria-current");
    one.setAttribute("aria-current", "page");
    for (const view of ["now", "past", "plan"]) $(view).hidden = view !== one.dataset.view;
    if (one.dataset.view === "past") showPast($("past"));
    if (one.dataset.view === "plan") showPlan($("plan"));
  });
}

function setDark(dark) {
  document.documentElement.dataset.dark = dark;
  $("dark").setAttribute("aria-pressed", dark);
  $("dark").textContent = dark ? "Dark: on" : "Dark: off";
  dispatchEvent(new Event("dark")); // canvases are painted again
}
$("dark").addEventListener("click", () => setDark(document.documentElement.dataset.dark !== "true"));
setDark(matchMedia("(prefers-color-scheme: dark)").matches);

soundButton($("hear"));
connect();
setInterval(look, 1000);
