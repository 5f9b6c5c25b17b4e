// Small drawings and words shared by the views.
export const SHAPES = { // severity has a shape of its own: stake, square, triangle, crossed octagon; broken ring for unknown
  good: '<path d="M12 22V3l9 5-9 5" fill="none" stroke="currentColor" stroke-width="3"/>',
  unknown: '<circle cx="12" cy="12" r="9" fill="none" stroke="currentColor" stroke-width="3" stroke-dasharray="8 6"/>',
  notice: '<path d="M4 4h16v16H4z" fill="none" stroke="currentColor" stroke-width="2.5"/><path d="M12 8v5m0 2v2" stroke="currentColor" stroke-width="2.5"/>',
  urgent: '<path d="M12 2 23 21H1z" fill="currentColor"/><path d="M12 9v6m0 2v2" stroke="var(--on-shape, var(--card))" stroke-width="2.5"/>',
  stop: '<path d="M8 1h8l7 7v8l-7 7H8l-7-7V8z" fill="currentColor"/><path d="m8 8 8 8m0-8-8 8" stroke="var(--on-shape, var(--card))" stroke-width="3"/>',
};
export const WORDS = { good: "good", notice: "note", urgent: "urgent", stop: "stop", unknown: "unknown" };

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
  const box = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  box.setAttribute("viewBox", "0 0 24 24");
  box.setAttribute("aria-hidden", "true");
  box.innerHTML = SHAPES[severity] ?? SHAPES.notice;
  return box;
}

export const number = (value, digits, unit) => (value === null || value === undefined ? "no reading" : `${value.toFixed(digits)} ${unit}`);
export const clock = (wall_s, seconds = false) =>
  new Date(wall_s * 1000).toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit", second: seconds ? "2-digit" : undefined });

export function span(seconds) {
  const whole = Math.max(Math.floor(seconds), 0);
  if (whole < 120) return `${whole} s`;
  const minutes = Math.floor(whole / 60);
  return minutes < 120 ? `${minutes} min` : `${Math.floor(minutes / 60)} h ${String(minutes % 60).padStart(2, "0")} min`;
}

// Runtime as a road of time: what is sure is solid, what may be is hatched up to the late end, a post stands at likely.
export function spread(box) {
  if (box.runtime_s.includes(null)) return `<p>Lasts longer than can be told.</p>`;
  const minutes = box.runtime_s.map((s) => s / 60);
  const [low, expected, high] = minutes;
  const needs = box.needs_s === null ? null : box.needs_s / 60;
  const most = Math.max(late, needs ?? 0, 10) * 1.04;
  const wide = Math.min(Math.max(innerWidth - 64, 270), 400); // narrow screens keep their letters large
  const x = (m) => 6 + (m / most) * (wide - 12);
  const label = (m, words, y, side, kind = "") =>
    `<text x="${x(m)}" y="${y}" text-anchor="${side}" class="${kind}">${words}</text>`;
  const side = (m) => (x(m) > wide - 70 ? "end" : x(m) < 60 ? "start" : "middle");
  const step = [5, 10, 20, 30, 60, 120, 240, 480, 960, 1920].find((one) => most / one <= 7) ?? 4800;
  let ticks = "";
  for (let m = step; m < most; m += step) ticks += `<path d="M${x(m)} 44v6" stroke="var(--line)" stroke-width="1.5"/>`;
  const need = needs === null ? "" :
    `<path d="M${x(needs)} 12v36" stroke="var(--ink)" stroke-width="2.5" stroke-dasharray="4 3"/>` +
    label(needs, `flight + reserve ${Math.ceil(needs)}`, 10, side(needs), "soft");
  const words = `Runtime left in minutes: ${Math.floor(early)} at worst, ${Math.floor(likely)} likely, ${Math.floor(late)} at best` +
    (needs === null ? "" : `; the next flight and its reserve take ${Math.ceil(needs)}`);
  const fits = x(likely) - x(early) > 82 && x(late) - x(likely) > 140; // else the middle label goes a line lower
  const last = x(late) - x(early) > 145;
  return `<svg class="spread" viewBox="0 0 ${wide} ${fits ? 70 : last ? 86 : 102}" role="img" aria-label="${words}">
    <defs><pattern id="may-${box.box}" width="7" height="7" patternTransform="rotate(45)" patternUnits="userSpaceOnUse">
      <rect width="7" height="7" fill="var(--card)"/><path d="M0 0v7" stroke="var(--band-ink)" stroke-width="3.5"/></pattern></defs>
    <rect x="6" y="20" width="${Math.max(x(early) - 6, 0)}" height="24" fill="var(--band-ink)"/>
    <rect x="${x(early)}" y="20" width="${Math.max(x(late) - x(early), 1)}" height="24" fill="url(#may-${box.box})" stroke="var(--band-ink)" stroke-width="2"/>
    <path d="M${x(likely)} 16v32" stroke="var(--ink)" stroke-width="4"/>
    <path d="M6 44h${wide - 12}" stroke="var(--line)" stroke-width="1.5"/>${ticks}${need}
    ${label(early, `worst ${Math.floor(early)}`, 65, side(early))}
    ${label(likely, `likely ${Math.floor(likely)}`, fits ? 65 : 81, side(likely))}
    ${label(late, `best ${Math.floor(late)} min`, last ? 65 : 97, x(late) < 100 ? "start" : "end")}</svg>`;
}
