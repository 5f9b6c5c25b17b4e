// One box in words and figures: all from its advice, nothing decided here.
import { clock, make, needed, number, span } from "/draw.js";

const LIMITS = { cutoff: "cutoff voltage", end_voltage: "end voltage" };

export const severityWord = (severity) => (severity === "none" ? null : make("span", { class: "severity" }, severity));

// Beside the headline only where that does not give the time as the present one.
export function turnBack(box) {
  if (box.turn_back_at === null || (box.verdict === "turn_back_by" && !box.turn_back_stale)) return null;
  const more = [box.turn_back_stale ? "stale" : "", box.turn_back_moved].filter(Boolean).join(", ");
  return make("p", { class: "turn-back" }, `Turn-back time ${box.turn_back_at.slice(11, 16)}${more ? ` (${more})` : ""}`);
}

const figure = (name, value, small, key) =>
  make("div", {}, make("dt", {}, name), make("dd", { "data-figure": key }, value, small ? make("small", {}, small) : null));

const trustWords = (box) => [box.runtime_limit ? `counts to the ${LIMITS[box.runtime_limit]}` : "", box.trust_improves].filter(Boolean).join("; ") || null;

export function runtime(box) {
  if (box.silent) return null; // it counted from a moment that is past
  if (box.runtime_low_s === null) return make("p", { class: "runtime" }, `Runtime unknown: ${box.runtime_unknown_because ?? "no estimate yet"}.`);
  const words = (seconds) => (seconds === null ? "unknown" : span(seconds));
  return make("dl", { class: "runtime" },
    figure("runtime low", words(box.runtime_low_s), null, "runtime_low"),
    figure("expected", words(box.runtime_expected_s), null, "runtime_expected"),
    figure("high", words(box.runtime_high_s), null, "runtime_high"),
    box.trust ? figure("trust", box.trust.replaceAll("_", " "), trustWords(box), "trust") : "",
    box.needs_s === null ? "" : figure("flight with reserve", needed(box.needs_s), null, "needs"));
}

export function dayWords(box) {
  if (!box.day || box.silent) return null;
  const landing = `the last landing at ${clock(box.day.last_landing_at_s)}`;
  if (box.day.enough === null) return make("p", { class: "by-day" }, `By the day plan: unknown whether it lasts until ${landing}.`);
  if (box.day.enough) return make("p", { class: "by-day" }, `By the day plan it lasts until ${landing}.`);
  return make("p", { class: "by-day" }, `By the day plan it does not last until ${landing}: empty at ${clock(box.day.empty_at_s)}, low runtime.`);
}

export function figures(box, stale) {
  const read = box.readings, last = stale ? "last known" : null, volts = (value, words) => (value === null ? null : `${words} ${value.toFixed(1)} V`);
  const amps = read.battery_amps === null ? null : `${Math.abs(read.battery_amps).toFixed(2)} A ${read.battery_amps < 0 ? "charge" : "discharge"}`;
  const joined = (...words) => words.filter(Boolean).join(", ");
  const [cold, warm, hot] = read.battery_levels_c;
  const fans = read.fans.filter((fan) => fan.state && fan.state !== "absent");
  return make("dl", {},
    figure("battery voltage", number(read.battery_volts, 2, "V"), last ?? joined(amps, volts(read.end_volts, "end voltage")), "battery_volts"),
    figure("equipment voltage", number(read.equipment_volts, 2, "V"),
      last ?? joined(volts(read.cutoff_volts, "cutoff voltage"), box.start_load && box.start_volts !== null ? `${box.start_volts.toFixed(1)} V at a start of ${box.start_load}` : null), "equipment_volts"),
    figure("case temperature", number(read.case_c, 1, "°C"), last ?? heatWords(box), "case_c"),
    figure("battery temperature", number(read.battery_c, 1, "°C"), last ?? (hot === undefined ? null : `charge from ${cold} to ${warm} °C, stop at ${hot} °C`), "battery_c"),
    figure("intake temperature", number(read.intake_c, 1, "°C"), last, "intake_c"),
    read.humidity_percent === null ? "" : figure("humidity in the case", number(read.humidity_percent, 0, "%"), last ?? (read.dew_point_c === null ? null : `dew point ${read.dew_point_c.toFixed(0)} °C`), "humidity"),
    figure("state of charge", box.soc === null ? "unknown" : `${Math.floor(box.soc * 100)} %`, last ?? (read.charging && read.charging !== "no" ? `charge: ${read.charging.replaceAll("_", " ")}` : null), "soc"),
    read.turn_back_s === null ? "" : figure("turn-back by the board", span(read.turn_back_s), last ?? "its own count", "turn_back"),
    ...fans.map((fan) => figure(`fan ${fan.fan}`, fan.state, last ?? joined(fan.rpm === null ? null : `${fan.rpm} rpm`, fan.percent === null ? null : `drive ${fan.percent} %`), `fan${fan.fan}`)));
}

function heatWords(box) {
  const levels = box.readings.case_levels_c, heat = box.heat, parts = [];
  const next = heat ? heat.levels_min.findIndex((minutes) => minutes !== null && minutes > 0) : -1;
  if (next >= 0) parts.push(`${levels[next]} °C in ${Math.floor(heat.levels_min[next])} min, fans as now`);
  else if (levels.length) parts.push(`limits ${levels.join(", ")} °C${box.readings.levels_reported ? "" : " (defaults)"}`);
  const stopped = heat ? heat.fans_stopped_low_min ?? heat.fans_stopped_min : null;
  if (stopped !== null) parts.push(`${heat.limit_c} °C in ${heat.fitted ? "" : "about "}${Math.floor(stopped)} min with fans off`);
  return parts.join("; ");
}

export function loads(box) {
  if (!box.loads.length || box.silent) return null;
  const state = (load) => {
    if (!load.on) return "off";
    return load.gained_s === null || !load.sheddable ? "on" : `on; off: +${span(load.gained_s)}`;
  };
  return make("div", {}, make("h3", {}, "Loads, and what switching off gains"),
    make("ul", { class: "loads" }, box.loads.map((load) =>
      make("li", {}, make("span", {}, `${load.name} (${load.sheddable ? "sheddable" : "essential"})`), make("span", {}, state(load))))));
}

export function findings(box) {
  return box.findings.length ? make("ul", { class: "plain" }, ...box.findings.map((words) => make("li", {}, words))) : null;
}
