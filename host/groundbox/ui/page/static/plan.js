// The day's plan with what-if: loads off, flights longer or shorter.
import { make } from "/draw.js";

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
  const field = make("input", { type: "number", min: 1, max: 1440, value: length_min ?? answer.length_min,
    onchange: (event) => { length_min = Number(event.target.value) || null; ask(); } });
  const switches = answer.loads.map((load) => make("label", { class: "switch" },
    make("input", { type: "checkbox", checked: !load.off, onchange: () => flip(load) }), `${load.name} of ${load.box} on`));
  const flights = answer.flights.map((flight) => make("section", { class: "flight", "data-tone": tone(flight), "aria-label": flight.name },
    make("h2", {}, `${flight.name}: ${heading(flight)}`),
    ...flight.boxes.map((one) => make("p", {}, one.words))));
  const list = (rows) => make("ul", {}, ...rows.map((words) => make("li", {}, words)));
  const charges = answer.charges.length ? [make("h3", {}, "Charging, in the open and away from sparks"), list(answer.charges), list(answer.cautions)] : [];
  place.replaceChildren(make("h2", {}, answer.name), make("p", {}, [answer.sentence, answer.words, answer.loads.length ? "Change a switch to see what it saves." : ""].filter(Boolean).join(" ")),
    make("div", { class: "bar" }, make("label", {}, "minutes a flight", field), ...switches), ...flights, ...charges);
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
