// Elements, figures and words shared by the views.
const CLEAR = ["clear_to_launch", "turn_back_by"];

// The look: of the severity; without one, only these verdicts have a look of their own.
export const toneOf = (advice) => (advice.severity !== "none" ? advice.severity : CLEAR.includes(advice.verdict) ? "clear" : "plain");

export function make(tag, attributes = {}, ...children) {
  return filled(document.createElement(tag), attributes, children);
}

export function svg(tag, attributes = {}, ...children) {
  return filled(document.createElementNS("http://www.w3.org/2000/svg", tag), attributes, children);
}

function filled(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) element[name] = value;
    else element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...children.flat(Infinity).filter((child) => child !== null && child !== undefined));
  return element;
}

// Makes the children of `place` equal to `wanted` and keeps the elements that are there already: a press that began on
// one ends on it, a selection and an open list stay. Elements are paired by `data-key`, else by their order.
const HANDLERS = ["onclick", "onchange"];
export function patch(place, ...wanted) {
  const all = wanted.flat(Infinity).filter((one) => one !== null && one !== undefined && one !== "");
  all.forEach((one, index) => {
    const node = typeof one === "string" ? document.createTextNode(one) : one, have = place.childNodes[index];
    const found = have && same(have, node) ? have : node.dataset?.key ? [...place.childNodes].slice(index).find((other) => same(other, node)) : null;
    if (!found) { place.insertBefore(node, have ?? null); return; }
    if (found !== have) place.insertBefore(found, have);
    update(found, node);
  });
  while (place.childNodes.length > all.length) place.lastChild.remove();
}

const same = (one, other) => one.nodeName === other.nodeName && one.dataset?.key === other.dataset?.key;

function update(have, want) {
  if (have.nodeType === Node.TEXT_NODE) { if (have.data !== want.data) have.data = want.data; return; }
  for (const { name } of [...have.attributes]) if (!want.hasAttribute(name) && name !== "open" && name !== "data-held") have.removeAttribute(name);
  for (const { name, value } of want.attributes) if (have.getAttribute(name) !== value) have.setAttribute(name, value);
  for (const name of HANDLERS) if (have[name] !== want[name]) have[name] = want[name];
  if (want.hold) have.hold = want.hold;
  if (have.nodeName === "INPUT" && have !== document.activeElement) [have.checked, have.value] = [want.checked, want.value];
  patch(have, ...want.childNodes);
}

export function text(place, words) {
  if (place.textContent !== words) place.textContent = words;
}

export const number = (value, digits, unit) => (value === null || value === undefined ? "no reading" : `${value.toFixed(digits)} ${unit}`);

// Times of day are those of the computer that records, whatever this device's time zone is.
let zone_s = null;
export function takeZone(iso) {
  const [, sign, hours, minutes] = /([+-])(\d\d):(\d\d)$/.exec(iso) ?? [];
  if (sign) zone_s = (sign === "-" ? -60 : 60) * (60 * Number(hours) + Number(minutes));
}
const local = (wall_s) => new Date(1000 * (wall_s + (zone_s ?? -60 * new Date(1000 * wall_s).getTimezoneOffset()))).toISOString();
export const clock = (wall_s, seconds = false) => local(wall_s).slice(11, seconds ? 19 : 16);
export const day = (wall_s) => local(wall_s).slice(0, 10);

const minutesAs = (minutes) => (minutes < 120 ? `${minutes} min` : `${Math.floor(minutes / 60)} h ${String(minutes % 60).padStart(2, "0")} min`);

// A span to rely on, rounded down as in the headlines: above 30 min to 5 min, else to 1 min.
export function span(seconds) {
  const step = seconds > 1800 ? 300 : 60;
  return minutesAs(Math.max(Math.floor(seconds / step) * step, 0) / 60);
}

// A span that is needed, rounded up.
export const needed = (seconds) => `${Math.ceil(Math.max(seconds, 0) / 60)} min`;

// How long ago.
export function age(seconds) {
  const whole = Math.max(Math.floor(seconds), 0);
  return whole < 120 ? `${whole} s` : minutesAs(Math.floor(whole / 60));
}
