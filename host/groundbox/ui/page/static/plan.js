// The day's plan with what-if: loads off, flights longer or shorter.
import { make } from "/draw.js";

let off = [], length_min = null, place = null, asks = 0;

const AGAIN_MS = 30000;

export function showPlan(section) {
  if (!place) setInterval(() => { // the day goes on, unless somebody is at a switch
    if (!place.hidden && !place.contains(document.activeElement) && !place.hasAttribute("aria-busy")) ask();
  }, AGAIN_MS);
  place = section;
  ask();
}

async function ask() {
  place.setAttribute("aria-busy", "true");
  if (!place.children.length) place.replaceChildren(make("p", {}, "Planning the day."));
  const mine = ++asks;
  let told;
  try {
    const answer = await fetch("/plan", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ off, length_min }) });
    told = await answer.json();
  } catch {
    told = { error: "The computer does not answer: it is asked again in half a minute." };
  }
  if (mine !== asks) return; // something else was asked meanwhile
  place.removeAttribute("aria-busy");
  if (told.error || told.none) { place.replaceChildren(make("p", { role: "alert" }, told.error ?? told.none)); return; }
  draw(told);
}

function draw(told) {
  const field = make("input", { type: "number", min: 1, max: 1440, value: length_min ?? told.length_min,
    onchange: (event) => { length_min = Number(event.target.value) || null; ask(); } });
  const switches = told.loads.map((load) => make("label", { class: "switch" },
    make("input", { type: "checkbox", checked: !load.off, onchange: () => flip(load) }), `${load.name} of ${load.box} on`));
  const flights = told.flights.map((flight) => make("section", { class: "flight", "data-tone": flight.flown ? "good" : "urgent", "aria-label": flight.name },
    make("h2", {}, `${flight.name}: ${flight.flown ? "can be flown" : "not today"}`),
    ...flight.boxes.map((one) => make("p", {}, one.words))));
  const charges = told.charges.length ? [make("h3", {}, "Charging, in the open and away from sparks"), make("ul", {}, ...told.charges.map((words) => make("li", {}, words)))] : [];
  place.replaceChildren(make("h2", {}, told.name), make("p", {}, `${told.words} Change a switch to see what it saves.`),
    make("div", { class: "bar" }, make("label", {}, "minutes a flight", field), ...switches), ...flights, ...charges);
}

function flip(load) {
  const same = (pair) => pair[0] === load.box && pair[1] === load.name;
  off = off.some(same) ? off.filter((pair) => !same(pair)) : [...off, [load.box, load.name]];
  ask();
}
