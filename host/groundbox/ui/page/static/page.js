// The live page: shows the newest advice, marks what is stale, and speaks. It decides nothing: it formats and counts ages.
import { age, clock, make, needed, patch, span, takeZone, text, toneOf } from "/draw.js";
import { dayWords, figures, findings, loads, runtime, severityWord, turnBack } from "/figures.js";
import { holdButton } from "/hold.js";
import { drawLanes } from "/lanes.js";
import { showPast } from "/past.js";
import { showPlan } from "/plan.js";
import { clearVoice, isOn, keepAwake, soundButton, speak } from "/voice.js";

const $ = (id) => document.getElementById(id);
const AGE_SHOWN_S = 3; // from here the age of the data is shown
const MISSED_S = 5; // no message for so long: marks wait, and a new connection is made
const SPEAK_AGAIN_S = 30; // silence in flight is spoken again after so long
const NOTE_MS = 20000, BUSY_MS = 1200, SURE_MS = 4000, UNDO_MS = 10000;
let published = null, steps = [], mayMark = false, source = null, madeMs = Date.now(), askedMs = 0;
let sure = {}; // the switch that was touched once
let undo = { words: "", until: 0 }; // the hold that was done last
let opened = null; // the box whose sum is shown
const busy = new Map();

// --- the connection ---

function connect() {
  source?.close();
  askedMs = Date.now();
  source = new EventSource(`/events?sound=${isOn() ? "on" : "off"}`);
  source.onmessage = (event) => take(JSON.parse(event.data));
}

function take(message) {
  steps = message.steps ?? steps;
  if (!message.published) { draw(); return; }
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
  if (!published || age_s() > 2 || undo.until > Date.now() - 2000) { if (published) hearSilence(); draw(); }
  keepAwake(Boolean(published?.advice.flight.in_flight));
}

document.addEventListener("visibilitychange", () => {
  if (!document.hidden) connect();
  else if (!isOn()) { source?.close(); source = null; }
});
window.addEventListener("online", connect);
window.addEventListener("sound", connect);

// Returns true where the recorder took it.
async function post(path, body, key) {
  if ((busy.get(key) ?? 0) > Date.now()) return false;
  busy.set(key, Date.now() + BUSY_MS);
  try {
    const answer = await fetch(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
    const found = await answer.json();
    if (answer.status === 409) return await ask(found.ask) && (busy.delete(key), await post(path, { ...body, confirmed: true }, key));
    if (!answer.ok) { trouble(found.error); return false; }
    if (found.done || found.cautions) note([found.done, ...(found.cautions ?? []).map((one) => `${one}.`)].filter(Boolean).join(" "));
    return true;
  } catch {
    trouble("The computer does not answer. Nothing was recorded.");
    return false;
  } finally {
    draw();
  }
}

// A mark against advice is asked about once.
function ask(words, yes = "Record it", no = "Cancel") {
  [$("ask-words").textContent, $("ask-yes").textContent, $("ask-no").textContent] = [words, yes, no];
  $("ask").showModal();
  return new Promise((done) => {
    $("ask-yes").onclick = () => { $("ask").close(); done(true); };
    $("ask-no").onclick = () => { $("ask").close(); done(false); };
    $("ask").oncancel = () => done(false);
  });
}

// One slot of fixed height: the newest refusal, else the newest note, else what is wrong with the connection.
let said = { words: "", loud: false, until: 0 };
function trouble(words) { said = { words, loud: true, until: Date.now() + 8000 }; draw(); }
function note(words) { said = { words, loud: false, until: Date.now() + NOTE_MS }; draw(); }

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

// Each row of the recorder's own words for its silence is spoken; in flight again and again.
function hearSilence() {
  const row = silentRow(published.advice.if_silent), again = published.advice.flight.in_flight ? SPEAK_AGAIN_S : Infinity;
  if (!row || !row.spoken || (row.after_s === silentSpoken?.after_s && age_s() - silentSpoken.at_s < again)) return;
  silentSpoken = { after_s: row.after_s, at_s: age_s() };
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
  text($("trouble"), said.until > Date.now() ? said.words : published && disconnected() ? "No data from the recorder. Values are stale. Marks wait. The page connects again by itself." : "");
  $("trouble").dataset.loud = String(said.until <= Date.now() || said.loud);
  if (!published) { drawEmpty(); return; }
  const advice = aged(published.advice);
  drawGlance(advice);
  drawInstructions(advice);
  if (!advice.boxes.length) { drawEmpty(); return; }
  drawLanes($("lanes"), { ...advice, boxes: advice.boxes.map(aged) }, age_s(), (box) => { opened = opened === box ? null : box; draw(); });
  text($("sum"), advice.boxes.find((box) => box.box === opened)?.sum || (opened ? `${opened}: runtime unknown` : "Touch a box above for its sum."));
  drawAircraft(advice.flight);
  patch($("boxes"), advice.boxes.map((box) => drawBox(aged(box))));
  patch($("said"), published.said.slice(-12).reverse().map((one) => make("li", {}, make("time", {}, clock(one.wall_s)), one.text)));
}

function drawGlance(advice) {
  const place = $("glance"), glance = advice.glance, silent = advice.silent;
  Object.assign(place.dataset, { tone: toneOf(advice), verdict: advice.verdict, silent: String(silent) });
  const kept = silent && advice.turn_back_at_s !== null;
  const left_s = kept ? advice.turn_back_at_s - advice.made_at_s - age_s() : 0;
  const stale = age_s() >= AGE_SHOWN_S ? `data ${age(age_s())} old` : "";
  patch(place,
    make("h1", { class: "word" }, advice.silent ? advice.word : glance.word),
    make("p", { class: "figure" }, kept ? clock(advice.turn_back_at_s) : silent ? "--" : glance.figure),
    make("p", { class: "noun" }, kept ? `last turn-back time, ${left_s > 0 ? `in ${span(left_s)}` : `${age(-left_s)} ago`}` : silent ? "no data" : glance.noun),
    make("p", { class: "detail" }, silent ? `${advice.limiting_box}: ${advice.headline.slice(advice.headline.indexOf(": ") + 2)}` : glance.detail),
    make("p", { class: "age", id: "flight" }, [stale, flightWords(advice), clock(advice.made_at_s, true)].filter(Boolean).join(", ")));
}

function drawInstructions(advice) {
  const rows = advice.silent ? [{ box: advice.limiting_box, severity: advice.severity, words: advice.action }] : advice.glance.instructions;
  patch($("instructions"), rows.length
    ? rows.map((one) => make("li", { "data-tone": one.severity }, make("b", {}, one.box), " ", one.words, "."))
    : make("li", { class: "none" }, "No act needed."));
}

function flightWords(advice) {
  const flight = advice.flight;
  if (!flight.in_flight) return "on the ground";
  const returning = flight.returning ? ", the pilot is returning" : "";
  if (flight.landing_at_s === null) return `in flight${returning}`;
  const left_s = flight.landing_at_s - advice.made_at_s - (disconnected() ? age_s() : 0);
  return `in flight${returning}, landing ${left_s >= 0 ? `planned in ${needed(left_s)}` : `overdue by ${age(-left_s)}`}`;
}

// Nothing heard yet: what is done, what is next, and what to type.
function drawEmpty() {
  patch($("lanes"), make("ol", { class: "steps" }, steps.map((one) => make("li", { "data-done": String(one.done) }, make("b", {}, one.done ? "done" : "next"), " ", one.words))));
  text($("sum"), "");
  patch($("boxes"), make("p", {}, "No box heard yet. To practise without a board, type: groundbox board practice"));
}

function button(words, key, act, more = {}) {
  return make("button", { type: "button", "data-key": key, disabled: disconnected(), onclick: act, ...more }, words);
}

function markButton(kind, words, box, more = () => ({})) {
  const key = `${kind}-${box}`, label = box === "*" ? {} : { "aria-label": `${words}: ${box}` };
  return button(words, key, () => post("/mark", { kind, box, ...more() }, key), { "data-mark": kind, ...label });
}

// Launch and landing are held for a second: a sleeve marks nothing.
function heldMark(kind, words, box) {
  const key = `${kind}-${box}`;
  const act = async () => { if (await post("/mark", { kind, box }, key)) { undo = { words: kind, until: Date.now() + UNDO_MS }; draw(); } };
  const sure = () => ask(`${words}?`);
  return holdButton(words, { "data-key": key, "data-mark": kind, disabled: disconnected() }, act, sure, () => note("Hold the button for one second."));
}

function flightButtons(box, flight, name = "") {
  const shared = published.shared, of = name ? ` ${name}` : "";
  return [
    shared || !flight.in_flight ? heldMark("launch", `Mark launch${of}`, box) : null,
    shared || flight.in_flight ? heldMark("landing", `Mark landing${of}`, box) : null,
    shared || (flight.in_flight && !flight.returning) ? markButton("returning", `Pilot is returning${of}`, box) : null,
  ];
}

function drawAircraft(flight) {
  if (!mayMark) { patch($("aircraft"), make("p", {}, "This viewer may look, not mark.")); return; }
  const left_s = Math.ceil((undo.until - Date.now()) / 1000);
  const back = async () => { if (await post("/mark", { kind: "undo" }, "undo")) { undo = { words: "", until: 0 }; draw(); } };
  const groups = published.groups.flatMap((name) => flightButtons(name, flight, name));
  patch($("aircraft"), published.shared ? groups : flightButtons("*", flight),
    button(left_s > 0 ? `Undo ${undo.words} (${left_s} s)` : "Undo last mark", "undo", back, { "data-mark": "undo" }));
}

function drawBox(box) {
  const read = box.readings, data_s = read.age_s === null ? null : read.age_s + (disconnected() ? age_s() : 0);
  const stale = data_s === null || data_s > box.stale_after_s || box.silent, key = box.box;
  return make("details", { "data-key": key, "data-box": key, "data-tone": toneOf(box), "data-verdict": box.verdict, "data-stale": String(stale) },
    make("summary", {}, make("span", { class: "name" }, box.box), " ", severityWord(box.severity),
      stale ? make("span", { class: "stale" }, data_s === null ? "no data" : `stale: ${age(data_s)}`) : null,
      make("span", { class: "headline" }, box.headline)),
    make("p", { class: "battery" }, box.battery ? `battery ${box.battery}` : "no battery named"),
    box.action ? make("p", { class: "action" }, `${box.action}.`) : null,
    turnBack(box), runtime(box), dayWords(box), warnings(box), figures(box, stale), loads(box), findings(box), switches(box), acts(box));
}

function warnings(box) {
  if (!box.warnings.length) return null;
  return make("ul", { class: "warnings", "aria-label": `Warnings of ${box.box}` }, box.warnings.map((one) => {
    const key = `acknowledge-${box.box}-${one.kind}`;
    return make("li", { "data-key": one.kind, "data-tone": one.severity, "data-warning": one.kind },
      make("span", {}, make("b", {}, one.severity), " ", one.sentence, one.acknowledged ? " (acknowledged)" : ""),
      mayMark && !one.acknowledged ? button("Acknowledge", key, () => post("/acknowledge", { box: box.box, warning: one.kind }, key),
        { "aria-label": `Acknowledge ${one.kind.replaceAll("_", " ")} of ${box.box}` }) : null);
  }));
}

// Sheddable outputs: two touches, so that a sleeve switches nothing.
function switches(box) {
  if (!mayMark || box.silent || !box.outputs.length) return null;
  return make("div", { class: "acts", "data-key": "switches" }, box.outputs.map((output) => {
    const want = output.on ? "off" : "on", key = `output-${box.box}-${output.output}`;
    const what = output.loads.length ? output.loads.join(", ") : `output ${output.output}`;
    const again = sure.key === key && sure.want === want && Date.now() < sure.until;
    const act = () => {
      if (!again) { sure = { key, want, until: Date.now() + SURE_MS }; draw(); return; }
      sure = {};
      post("/command", { command: "switch", box: box.box, output: output.output, want }, key);
    };
    const shed = { shed: " (shed by the board)", shed_soon: " (the board sheds it soon)", starting: " (starts soon)" }[output.state] || "";
    return button(again ? `Touch again: switch ${what} ${want}` : `Switch ${what} ${want}${shed}`, key, act, { "data-output": output.output, "aria-pressed": String(again) });
  }));
}

function acts(box) {
  if (!mayMark) return null;
  const loud = box.warnings.some((one) => ["urgent", "stop"].includes(one.severity) && !one.acknowledged), name = box.box;
  const select = make("select", { "data-key": `battery-${name}`, "aria-label": `Battery put into ${name}` },
    make("option", { value: "" }, "which battery?"), published.batteries.map((one) => make("option", { value: one }, one)));
  return make("div", { class: "acts", "data-key": "marks" },
    loud ? button("Silence buzzer", `silence-${name}`, () => post("/command", { command: "silence", box: name }, `silence-${name}`), { "data-command": "silence", "aria-label": `Silence buzzer: ${name}` }) : null,
    published.shared ? flightButtons(name, published.advice.flight) : null,
    markButton("charge", "Mark charge", name), select, markButton("swap", "Mark swap", name, () => ({ name: document.querySelector(`[data-key="battery-${CSS.escape(name)}"]`).value || null })));
}

// --- views and light ---

for (const one of document.querySelectorAll("nav [data-view]")) {
  one.addEventListener("click", () => {
    for (const other of document.querySelectorAll("nav [data-view]")) other.removeAttribute("aria-current");
    one.setAttribute("aria-current", "page");
    for (const view of ["now", "past", "plan"]) $(view).hidden = view !== one.dataset.view;
    if (one.dataset.view === "past") showPast($("past"));
    if (one.dataset.view === "plan") showPlan($("plan"));
    if (one.dataset.view === "now") draw();
  });
}

function setDark(dark) {
  document.documentElement.dataset.dark = dark;
  $("dark").setAttribute("aria-pressed", dark);
  text($("dark"), dark ? "Dark: on" : "Dark: off");
  dispatchEvent(new Event("dark")); // canvases are painted again
}
$("dark").addEventListener("click", () => setDark(document.documentElement.dataset.dark !== "true"));
setDark(matchMedia("(prefers-color-scheme: dark)").matches);

soundButton($("hear"), ask, note);
addEventListener("resize", draw);
navigator.serviceWorker?.register("/shell.js").catch(() => {}); // where the context is secure: the page opens without a network
connect();
setInterval(look, 1000);
