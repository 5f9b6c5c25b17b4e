// One graphic: a shared clock axis from now, a lane for each box. Solid to the low runtime, hatched to the high one.
import { clock, make, patch, span, svg } from "/draw.js";

const AXIS_PX = 26, LANE_PX = 48, FOOT_PX = 46, BAR_PX = 18, LABEL_PX = 96, LETTER_PX = 12, RUNTIME_PX = 150;
const MAX_S = 6 * 3600, MIN_S = 3600, STEPS_S = [900, 1800, 3600, 7200];

// Draws into `place`; `touch` gets the name of a box that was touched.
export function drawLanes(place, advice, age_s, touch) {
  const width = Math.max(place.clientWidth, 280), now_s = advice.made_at_s + age_s;
  const ends = advice.boxes.map((box) => (box.runtime_high_s ?? Infinity) - age_s); // the shortest decides
  const lines = [[advice.flight.in_flight ? advice.flight.landing_at_s : null, "landing", ""], [advice.turn_back_at_s, "turn back", "heavy"]].filter(([at_s]) => at_s !== null && at_s > now_s);
  const span_s = Math.min(Math.max(1.15 * Math.min(...ends, MAX_S / 1.15), ...lines.map(([at_s]) => 1.15 * (at_s - now_s)), MIN_S), MAX_S);
  const x = (left_s) => Math.min(Math.max(left_s, 0) / span_s, 1) * width, height = AXIS_PX + LANE_PX * advice.boxes.length + FOOT_PX;
  const step_s = STEPS_S.find((step) => span_s / step <= Math.max(width / LABEL_PX, 1)) ?? STEPS_S.at(-1);
  const ticks = [];
  for (let at_s = Math.ceil(now_s / step_s) * step_s; at_s < now_s + span_s; at_s += step_s) ticks.push(at_s);
  patch(place,
    svg("svg", { width, height, viewBox: `0 0 ${width} ${height}`, "aria-hidden": "true" },
      svg("defs", {}, svg("pattern", { id: "hatch", width: 7, height: 7, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" }, svg("rect", { width: 3, height: 7, fill: "currentColor" }))),
      svg("text", { x: 0, y: 18, class: "soft" }, "now"),
      ticks.filter((at_s) => x(at_s - now_s) > 64 && x(at_s - now_s) < width - 26).map((at_s) => [
        svg("text", { x: x(at_s - now_s), y: 18, class: "soft middle" }, clock(at_s)),
        svg("line", { x1: x(at_s - now_s), x2: x(at_s - now_s), y1: AXIS_PX, y2: height - FOOT_PX, class: "grid" })]).flat(),
      advice.boxes.map((box, index) => lane(box, AXIS_PX + index * LANE_PX, age_s, x, width)).flat(),
      lines.map(([at_s, words, kind], index) => mark(x(at_s - now_s), `${words} ${clock(at_s)}`, kind, height, index, width)).flat(),
      advice.boxes.map((box, index) => names(box, AXIS_PX + index * LANE_PX, width)).flat()),
    make("div", { class: "touch" }, advice.boxes.map((box) => make("button", { type: "button", class: "lane", "data-key": `lane-${box.box}`, onclick: () => touch(box.box),
      "aria-label": box.sum || `${box.box}: runtime unknown` }))));
}

const isKnown = (box) => box.runtime_low_s !== null && !box.silent;

// In front of the lines, so that each name is readable; a long one is cut before the runtime.
function names(box, top, width) {
  const room = Math.floor((width - RUNTIME_PX) / LETTER_PX), name = box.box.length > room ? `${box.box.slice(0, room - 1)}…` : box.box;
  return [svg("text", { x: 2, y: top + 19, class: "name" }, name),
    svg("text", { x: width - 2, y: top + 19, class: "end" }, isKnown(box) ? `low ${span(box.runtime_low_s)}` : "runtime unknown")];
}

function lane(box, top, age_s, x, width) {
  const y = top + 25;
  if (!isKnown(box)) return [svg("rect", { x: 1.5, y: y + 1.5, width: width - 3, height: BAR_PX - 3, class: "unknown" })];
  const low = x(box.runtime_low_s - age_s), high = x((box.runtime_high_s ?? box.runtime_low_s) - age_s), expected = x((box.runtime_expected_s ?? 0) - age_s);
  return [svg("rect", { x: 0, y, width: low, height: BAR_PX, fill: "currentColor" }),
    svg("rect", { x: low, y, width: Math.max(high - low, 0), height: BAR_PX, fill: "url(#hatch)", class: "edge" }),
    expected > 0 && expected < width ? svg("line", { x1: expected, x2: expected, y1: y - 4, y2: y + BAR_PX + 4, class: "expected" }) : null];
}

function mark(at, words, kind, height, index, width) {
  const y = height - FOOT_PX + 20 + 23 * index, side = at > width / 2 ? "end" : "start";
  return [svg("line", { x1: at, x2: at, y1: AXIS_PX, y2: y - 14, class: `moment ${kind}` }),
    svg("text", { x: side === "end" ? Math.max(at, 150) : Math.min(at, width - 150), y, class: `${side} ${kind}` }, words)];
}
