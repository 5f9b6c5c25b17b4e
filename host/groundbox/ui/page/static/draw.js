// Elements, figures and words shared by the views.
const SHAPES = { // beside the word: dashed circle for unknown, square, triangle, octagon; nothing where nothing is to report
  unknown: '<circle cx="12" cy="12" r="9" fill="none" stroke="currentColor" stroke-width="3" stroke-dasharray="8 6"/>',
  notice: '<path d="M4 4h16v16H4z" fill="none" stroke="currentColor" stroke-width="2.5"/><path d="M12 8v5m0 2v2" stroke="currentColor" stroke-width="2.5"/>',
  urgent: '<path d="M12 2 23 21H1z" fill="currentColor"/><path d="M12 9v6m0 2v2" stroke="var(--on-shape, var(--card))" stroke-width="2.5"/>',
  stop: '<path d="M8 1h8l7 7v8l-7 7H8l-7-7V8z" fill="currentColor"/><path d="m8 8 8 8m0-8-8 8" stroke="var(--on-shape, var(--card))" stroke-width="3"/>',
};
const CLEAR = ["clear_to_launch", "turn_back_by"];

// The colour: of the severity; without one, only these verdicts have a colour of their own.
export const toneOf = (advice) => (advice.severity !== "none" ? advice.severity : CLEAR.includes(advice.verdict) ? "clear" : "plain");

export function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

export function shape(severity) {
  if (!(severity in SHAPES)) return null;
  const box = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  box.setAttribute("viewBox", "0 0 24 24");
  box.setAttribute("aria-hidden", "true");
  box.innerHTML = SHAPES[severity];
  return box;
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
