// The day's plan with what-if: loads off, flights longer or shorter.
import { make, patch, svg } from "/draw.js";

let off = [], length_min = null, place = null, asks = 0;

const AGAIN_MS = 30000;

export function showPlan(section) {
  if (!place) setInterval(() => { // a new plan every half minute, unless a person is at a switch
    if (!place.hidden && !place.contains(document.activeElement) && !place.hasAttribute("aria-busy")) ask();
  }, AGAIN_MS);
  place = section;
  ask();
}

async function ask() {
  place.setAttribute("aria-busy", "true");
  if (!place.children.length) place.replaceChildren(make("p", {}, "Planning the day."));
  const mine = ++asks;
  let answer;
  try {
    const response = await fetch("/plan", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ off, length_min }) });
    answer = await response.json();
  } catch {
    answer = { error: "The computer does not answer: the page asks again in half a minute." };
  }
  if (mine !== asks) return; // a newer question is on its way
  place.removeAttribute("aria-busy");
  if (answer.error || answer.none) { place.replaceChildren(make("p", { role: "alert" }, answer.error ?? answer.none)); return; }
  draw(answer);
}

function draw(answer) {
  const field = make("input", { type: "number", "data-key": "length", min: 1, max: 1440, value: length_min ?? answer.length_min,
    onchange: (event) => { length_min = Number(event.target.value) || null; ask(); } });
  const switches = answer.loads.map((load) => make("label", { class: "switch", "data-key": `${load.box} ${load.name}` },
    make("input", { type: "checkbox", checked: !load.off, onchange: () => flip(load) }), `${load.name} of ${load.box} on`));
  const list = (rows) => make("ul", {}, rows.map((words) => make("li", {}, words)));
  const charges = answer.charges.length ? make("details", { "data-key": "charges" }, make("summary", {}, "Charging in figures"), list(answer.charges)) : null;
  patch(place, make("h2", {}, answer.name), make("p", { role: "status" }, [answer.sentence, answer.words, answer.loads.length ? "Change a switch to see what it saves." : ""].filter(Boolean).join(" ")),
    answer.lanes ? make("div", { class: "day", "data-key": "day" }, picture(answer.lanes)) : null,
    make("div", { class: "bar", "data-key": "what-if" }, make("label", {}, "minutes a flight", field), switches),
    answer.flights.map(flightPart), charges, answer.cautions.length ? make("div", { class: "cautions", "data-key": "cautions" }, list(answer.cautions)) : null);
}

// A flight: its verdict, the steps before it with a tick each, and its figures behind.
function flightPart(flight) {
  return make("section", { class: "flight", "data-key": `flight ${flight.name}`, "data-tone": flight.name ? tone(flight) : null, "aria-label": flight.name || "after the last landing" },
    make("h2", {}, flight.name ? `${flight.name}: ${heading(flight)}` : "After the last landing"),
    flight.name ? make("p", {}, flight.sentence) : null,
    make("ol", { class: "plain" }, flight.steps.map((step) => tick(flight, step))),
    flight.boxes.length ? make("details", {}, make("summary", {}, "Figures"), flight.boxes.map((one) => make("p", {}, one.words))) : null);
}

const done = new Set(); // the steps that were ticked off on this device
function tick(flight, step) {
  const key = `${flight.name} ${step.clock} ${step.words}`;
  return make("li", { "data-key": key }, make("label", { class: "switch" },
    make("input", { type: "checkbox", checked: done.has(key), onchange: (event) => { if (event.target.checked) done.add(key); else done.delete(key); } }),
    make("span", {}, make("b", {}, step.clock), ` ${step.words}`)));
}

// The day on one clock axis: a lane for each battery and each charger.
const ROW_PX = 44, TOP_PX = 28;
function picture(lanes) {
  const width = Math.max(place.clientWidth - 24, 280), name_px = 84, height = TOP_PX + ROW_PX * lanes.rows.length + 8;
  const span = lanes.end_min - lanes.start_min, x = (minute) => name_px + (width - name_px) * (minute - lanes.start_min) / span;
  const hours = [];
  for (let at = 60 * Math.ceil((lanes.start_clock_min + lanes.start_min) / 60); at <= lanes.start_clock_min + lanes.end_min; at += span > 360 ? 120 : 60) hours.push(at);
  const bar = (one, top) => svg("rect", { x: x(one.start_min), width: Math.max(x(one.end_min) - x(one.start_min), 2), class: `bar-${one.kind}`, ...{ flight: { y: top, height: 22 }, charge: { y: top + 24, height: 9 }, swap: { y: top + 10, height: 3 } }[one.kind] },
    svg("title", {}, one.words));
  return svg("svg", { width, height, viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": "The day: flights as blocks, charges as thin bars, swaps as lines" },
    hours.map((at) => [svg("line", { x1: x(at - lanes.start_clock_min), x2: x(at - lanes.start_clock_min), y1: TOP_PX - 4, y2: height, class: "grid" }),
      svg("text", { x: x(at - lanes.start_clock_min), y: 18, class: "middle" }, `${String(Math.floor(at / 60) % 24).padStart(2, "0")}:00`)]),
    lanes.rows.map((row, index) => [svg("text", { x: 0, y: TOP_PX + ROW_PX * index + 19 }, row.name.slice(0, 9)), row.bars.map((one) => bar(one, TOP_PX + ROW_PX * index))]),
    lanes.not_flown.map((one) => svg("text", { x: x(one.at_min), y: height - 4, class: "middle" }, `no ${one.words}`)));
}

function flip(load) {
  const same = (pair) => pair[0] === load.box && pair[1] === load.name;
  off = off.some(same) ? off.filter((pair) => !same(pair)) : [...off, [load.box, load.name]];
  ask();
}

const unknown = (flight) => flight.boxes.some((one) => one.verdict === "unknown");

const waits = (flight) => flight.boxes.some((one) => one.verdict === "wait");

function heading(flight) {
  if (flight.in_air) return "in the air";
  if (!flight.flown) return "do not launch";
  if (unknown(flight)) return "unknown";
  return waits(flight) ? "wait" : "clear to launch";
}

function tone(flight) {
  if (flight.boxes.some((one) => one.verdict === "return_now")) return "stop";
  if (!flight.flown) return "urgent";
  if (unknown(flight)) return "unknown";
  return waits(flight) ? "notice" : "clear";
}
