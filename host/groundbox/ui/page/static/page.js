// The live page: keeps the newest state, draws it, marks what is old, and speaks.
import { WORDS, clock, make, number, shape, span, spread } from "/draw.js";
import { showPast } from "/past.js";
import { showPlan } from "/plan.js";

const $ = (id) => document.getElementById(id);
const QUIET_S = 5; // no word for so long: ask for a new connection
const OLD_S = 10, WITHDRAWN_S = 60;
let state = null, mayMark = false, source = null, cameMs = Date.now(), askedMs = 0;
let armed = {}; // the switch touched once
let spoken = null, hears = false, tones = null, quietAt = 0;

// --- the connection ---

function connect() {
  source?.close();
  askedMs = Date.now();
  source = new EventSource("/events");
  source.onmessage = (event) => take(JSON.parse(event.data));
}

function take(told) {
  if (!told.state) return;
  cameMs = Date.now();
  state = told.state;
  mayMark = told.may_mark;
  hear();
  draw();
}

function look() {
  const silent_s = (Date.now() - cameMs) / 1000;
  const waits = source && source.readyState === EventSource.CONNECTING && Date.now() - askedMs < 4000;
  if (silent_s > QUIET_S && Date.now() - askedMs > 2000 && !waits && (!document.hidden || hears)) connect();
  if (state && silent_s > OLD_S - 8) draw();
}

document.addEventListener("visibilitychange", () => {
  if (!document.hidden) connect();
  else if (!hears) { source?.close(); source = null; }
});
window.addEventListener("online", connect);

async function post(path, body, button) {
  button.disabled = true;
  try {
    const answer = await fetch(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
    if (!answer.ok) trouble((await answer.json()).error);
  } catch {
    trouble("The computer does not answer: nothing was marked.");
  }
  setTimeout(() => { button.disabled = false; }, 1200);
}

let troubleUntil = 0;
function trouble(words) {
  troubleUntil = Date.now() + 8000;
  $("trouble").textContent = words;
  $("trouble").hidden = false;
}

// --- what is heard ---

function hear() {
  const newest = state.heard.at(-1)?.number ?? 0;
  if (spoken === null || newest < spoken) { spoken = newest; return; }
  for (const one of state.heard.filter((each) => each.number > spoken)) {
    $("voice").textContent = one.sentence;
    quietAt = Date.now() + 30000;
    if (hears) utter(one.sentence, one.severity);
  }
  spoken = newest;
  if (Date.now() > quietAt) $("voice").textContent = "";
}

function utter(sentence, severity) {
  beep(severity);
  if (!window.speechSynthesis) return;
  if (severity === "stop") speechSynthesis.cancel();
  const words = new SpeechSynthesisUtterance(sentence.replaceAll(" C", " degrees"));
  words.lang = "en";
  speechSynthesis.speak(words);
}

function beep(severity) {
  if (!tones) return;
  const pitch = { notice: [560], urgent: [820, 560], stop: [980, 700, 980, 700] }[severity] ?? [560];
  pitch.forEach((hertz, index) => {
    const at = tones.currentTime + index * 0.22, voice = tones.createOscillator(), loud = tones.createGain();
    voice.frequency.value = hertz;
    loud.gain.setValueAtTime(0.0001, at);
    loud.gain.exponentialRampToValueAtTime(0.4, at + 0.02);
    loud.gain.exponentialRampToValueAtTime(0.0001, at + 0.19);
    voice.connect(loud).connect(tones.destination);
    voice.start(at);
    voice.stop(at + 0.2);
  });
}

$("hear").addEventListener("click", () => {
  hears = !hears;
  $("hear").setAttribute("aria-pressed", hears);
  $("hear").textContent = hears ? "Sound: on" : "Sound: off";
  if (!hears) { window.speechSynthesis?.cancel(); return; }
  tones ??= new AudioContext();
  tones.resume();
  utter("Sound is on.", "notice");
});

// --- what is seen ---

function draw() {
  const silent_s = (Date.now() - cameMs) / 1000;
  const lost = silent_s > OLD_S;
  if (lost) {
    $("trouble").textContent = `This page has heard nothing from the computer for ${span(silent_s)}: what it shows is old. It goes on by itself when the computer answers.`;
    $("trouble").hidden = false;
  } else if (Date.now() > troubleUntil) $("trouble").hidden = true;
  drawVerdict(silent_s);
  $("flight").textContent = `${clock(state.wall_s, true)}  ${flightWords()}`;
  drawAircraft();
  const held = document.activeElement?.dataset?.key;
  const kept = new Map([...$("boxes").querySelectorAll("select")].map((select) => [select.dataset.key, select.value]));
  $("boxes").replaceChildren(...state.boxes.map((box) => article(box, silent_s, kept)));
  if (!state.boxes.length) $("boxes").append(make("p", {}, "No box heard yet."));
  if (held) document.querySelector(`[data-key="${CSS.escape(held)}"]`)?.focus({ preventScroll: true });
  $("said").replaceChildren(...state.said.slice(-12).reverse().map((one) => make("li", {}, make("time", {}, clock(one.wall_s)), one.text)));
}

// One look at all boxes: may I launch, by when to turn back. Withdrawn with the numbers it came from.
function drawVerdict(silent_s) {
  const gone = silent_s > WITHDRAWN_S, place = $("verdict");
  const told = gone ? { words: "Not known", because: "do not go by this page", tone: "unknown" } : state.verdict;
  const key = JSON.stringify([told, silent_s > OLD_S]);
  if (!told || place.dataset.key === key) return;
  place.dataset.key = key;
  place.hidden = false;
  place.dataset.tone = told.tone;
  place.replaceChildren(shape(told.tone), make("b", {}, told.words), make("span", {}, (silent_s > OLD_S && !gone ? "old: " : "") + told.because));
}

function flightWords() {
  if (!state.in_flight) return "on the ground";
  if (state.landing_in_s === null) return "in flight";
  return state.landing_in_s >= 0 ? `in flight, landing planned in ${span(state.landing_in_s)}` : `in flight, ${span(-state.landing_in_s)} overdue`;
}

function drawAircraft() {
  const first = state.boxes[0]?.box, kind = state.in_flight ? "landing" : "launch", place = $("aircraft");
  if (place.dataset.kind === kind && place.dataset.may === String(mayMark)) return;
  place.dataset.kind = kind;
  place.dataset.may = mayMark;
  const words = state.in_flight ? "Mark landing" : "Mark launch";
  place.replaceChildren(mayMark && first
    ? make("button", { type: "button", "data-mark": kind, onclick: (event) => post("/mark", { kind, box: state.boxes[0].box }, event.target) }, words)
    : make("p", {}, mayMark ? "" : "This viewer may look, not mark."));
}

function article(box, silent_s, kept) {
  const age_s = box.age_s === null ? null : box.age_s + silent_s;
  const gone = age_s === null || age_s > Math.max(box.withdrawn_s, WITHDRAWN_S) || silent_s > WITHDRAWN_S;
  const old = age_s === null || age_s > box.old_s;
  const tone = gone && silent_s > OLD_S ? "unknown" : box.tone;
  const words = gone && silent_s > OLD_S ? `No fresh numbers for ${span(age_s ?? silent_s)}: do not go by this page` : box.answer;
  const title = `box-${box.box}`;
  return make("article", { "data-tone": tone, "data-box": box.box, "data-old": String(old), "aria-labelledby": title },
    make("h2", { id: title }, make("span", { class: "name" }, box.box), shape(tone), make("span", { class: "tone" }, WORDS[tone]),
      make("span", { class: "battery" }, box.battery ? `battery ${box.battery}` : ""),
      old && age_s !== null ? make("span", { class: "age" }, `old: ${span(age_s)}`) : null),
    make("p", { class: "answer" }, words),
    gone ? null : picture(box),
    gone || !box.by_day ? null : make("p", { class: "by-day" }, `${box.by_day[0].toUpperCase()}${box.by_day.slice(1)}.`),
    warnings(box), figures(box, gone), loads(box, gone), switches(box, gone), acts(box, kept));
}

function picture(box) {
  if (!box.runtime_s) return make("p", {}, `Runtime unknown: ${box.runtime_unknown_because ?? "no estimate yet"}.`);
  const place = make("div");
  place.innerHTML = spread(box);
  return place.firstElementChild;
}

function figure(name, value, small, key) {
  return make("div", {}, make("dt", {}, name), make("dd", { "data-figure": key }, value, small ? make("small", {}, small) : null));
}

function figures(box, gone) {
  const last = gone ? "last known" : null;
  const limit = box.cutoff_volts === null ? null : `stops working under ${box.cutoff_volts.toFixed(1)} V`;
  const spares = box.end_volts === null ? null : `harmed under ${box.end_volts.toFixed(1)} V`;
  const amps = box.battery_amps === null ? null : `${Math.abs(box.battery_amps).toFixed(2)} A ${box.battery_amps < 0 ? "into" : "out of"} it`;
  const turning = box.fans.filter((fan) => fan.state && fan.state !== "absent");
  return make("dl", {},
    figure("at the battery", number(box.battery_volts, 2, "V"), last ?? [amps, spares].filter(Boolean).join(", "), "battery_volts"),
    figure("at the equipment", number(box.equipment_volts, 2, "V"), last ?? limit, "equipment_volts"),
    figure("in the case", number(box.case_c, 1, "C"), last ?? heatWords(box), "case_c"),
    figure("battery", number(box.battery_c, 1, "C"), last ?? `charge from ${box.battery_levels_c[0].toFixed(0)} to ${box.battery_levels_c[1].toFixed(0)} C, stop at ${box.battery_levels_c[2].toFixed(0)} C`, "battery_c"),
    figure("air outside", number(box.intake_c, 1, "C"), null, "intake_c"),
    figure("charge left", box.soc === null ? "unknown" : `${Math.round(box.soc * 100)} %`, box.charging && box.charging !== "no" ? "charging" : null, "soc"),
    ...turning.map((fan) => figure(`fan ${fan.fan}`, fan.state === "stalled" ? "STOPPED" : fan.state, fan.rpm ? `${fan.rpm} turns a minute` : null, `fan${fan.fan}`)));
}

function heatWords(box) {
  const [warm, hot, most] = box.case_levels_c;
  const next = box.case_levels_c.findIndex((level, index) => box.case_c < level && box.case_minutes[index] !== null);
  const parts = [];
  if (next >= 0) parts.push(`${box.case_levels_c[next].toFixed(0)} C in about ${Math.round(box.case_minutes[next])} min, fans as now`);
  else parts.push(`limits ${warm.toFixed(0)}, ${hot.toFixed(0)}, ${most.toFixed(0)} C${box.limits_told ? "" : " as boards come"}`);
  const stopped = box.case_minutes_fans_stopped;
  if (stopped !== null) parts.push(`${box.case_limit_c.toFixed(0)} C in about ${Math.round(stopped)} min if both fans stop`);
  return parts.join("; ");
}

function loads(box, gone) {
  if (!box.loads.length || gone) return null;
  const words = (load) => (!load.on ? "off" : load.minutes === null ? "on" : `on, costs ${Math.round(load.minutes)} min`);
  return make("div", {}, make("h3", {}, "What is on, and the minutes it costs"),
    make("ul", { class: "loads" }, ...box.loads.map((load) =>
      make("li", {}, make("span", {}, load.name + (load.sheddable ? " (sheddable)" : "")), make("span", {}, words(load))))));
}

function warnings(box) {
  if (!box.warnings.length) return null;
  return make("ul", { class: "warnings", "aria-label": `Warnings of ${box.box}` }, ...box.warnings.map((one) =>
    make("li", { "data-tone": one.severity, "data-warning": one.warning },
      shape(one.severity), make("span", {}, make("b", {}, one.severity), one.sentence, one.seen ? " (seen)" : ""),
      mayMark && !one.seen ? make("button", { type: "button", "data-key": `seen-${box.box}-${one.warning}`,
        "aria-label": `Seen: ${one.warning.replaceAll("_", " ")} of ${box.box}`,
        onclick: (event) => post("/acknowledge", { box: box.box, warning: one.warning }, event.target) }, "Seen") : make("span"))));
}

// Outputs that may be dropped: two touches, so that a sleeve switches nothing.
function switches(box, gone) {
  if (!mayMark || gone || !(box.outputs ?? []).length) return null;
  const one = (output) => {
    const want = output.on ? "off" : "on", key = `output-${box.box}-${output.output}`;
    const what = output.loads.length ? output.loads.join(", ") : `output ${output.output}`;
    const sure = armed.key === key && armed.want === want && Date.now() < armed.until;
    return make("button", { type: "button", "data-key": key, "data-output": output.output, "aria-pressed": sure,
      onclick: (event) => {
        if (sure) { armed = {}; post("/command", { command: "switch", box: box.box, output: output.output, want }, event.target); } else { armed = { key, want, until: Date.now() + 4000 }; draw(); }
      } }, sure ? `Touch again: ${what} ${want}` : `Switch ${what} ${want}${output.state === "shed" ? " (dropped by the board)" : ""}`);
  };
  return make("div", { class: "acts" }, ...box.outputs.map(one));
}

function acts(box, kept) {
  if (!mayMark) return null;
  const key = `battery-${box.box}`;
  const select = make("select", { "data-key": key, "aria-label": `Battery put into ${box.box}` },
    make("option", { value: "" }, "battery?"), ...state.batteries.map((name) => make("option", { value: name }, name)));
  select.value = kept.get(key) ?? "";
  const button = (kind, words, more) => make("button", { type: "button", "data-mark": kind, "data-key": `${kind}-${box.box}`,
    "aria-label": `${words} ${box.box}`, onclick: (event) => post("/mark", { kind, box: box.box, ...more() }, event.target) }, words);
  const loud = box.warnings.some((one) => one.severity !== "notice");
  const quiet = loud ? make("button", { type: "button", "data-key": `quiet-${box.box}`, "data-command": "silence",
    onclick: (event) => post("/command", { command: "silence", box: box.box }, event.target) }, "Quiet its buzzer") : null;
  return make("div", { class: "acts" }, ...(quiet ? [quiet] : []), button("charge", "Charge begun", () => ({})), select,
    button("swap", "Battery swapped", () => ({ name: select.value || null })));
}

// --- views and light ---

for (const button of document.querySelectorAll("nav button")) {
  button.addEventListener("click", () => {
    for (const other of document.querySelectorAll("nav button")) other.removeAttribute("aria-current");
    button.setAttribute("aria-current", "page");
    for (const view of ["now", "past", "plan"]) $(view).hidden = view !== button.dataset.view;
    if (button.dataset.view === "past") showPast($("past"));
    if (button.dataset.view === "plan") showPlan($("plan"));
  });
}

function dusk(dark) {
  document.documentElement.dataset.dusk = dark;
  $("dark").setAttribute("aria-pressed", dark);
  dispatchEvent(new Event("dusk")); // what is painted is painted anew
}
$("dark").addEventListener("click", () => dusk(document.documentElement.dataset.dusk !== "true"));
dusk(matchMedia("(prefers-color-scheme: dark)").matches);

connect();
setInterval(look, 1000);
