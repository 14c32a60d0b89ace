// Draws what the monitor says.  Decides nothing, keeps nothing, sends nothing.  A figure is shown only while the line it
// came with is fresh: when the events stop, for whatever reason, every figure turns to a dash within three seconds.
"use strict";

const OLD_MS = 3000;
const FORGET_MS = 100;
const PAST_S = 900;
const AHEAD_S = 600;
const TRAIL_EVERY_S = 10;
const TRAIL_POINTS = 91;
const DASH = "–";
const SHAPES = {
  unknown: "M12 2 A10 10 0 1 0 12.01 2 M9 9 A3 3 0 1 1 12 13 V14.5 M12 17.5 V18",
  normal: "M12 2 A10 10 0 1 0 12.01 2 Z",
  advisory: "M12 2 L22 12 L12 22 L2 12 Z",
  caution: "M12 2 L23 21 H1 Z",
  warning: "M7.5 1.5 H16.5 L22.5 7.5 V16.5 L16.5 22.5 H7.5 L1.5 16.5 V7.5 Z",
};
const ALARMS = new Set(["advisory", "caution", "warning"]);
const STATUS = {
  starting: "starting",
  live: "",
  stale: "data old",
  no_link: "no link to the vehicle",
  no_coolant: "no coolant reading",
  engine_off: "engine off",
};

let units = "metric";
let trail = [];
let said = null;
let cameMs = -Infinity;
let everCameMs = null;
let leastOffsetMs = Infinity;
let connected = false;

const at = (id) => document.getElementById(id);
const put = (id, text) => { const e = at(id); if (e.textContent !== text) e.textContent = text; };
const known = (x) => typeof x === "number" && Number.isFinite(x);
const temp = (c) => (units === "us" ? c * 1.8 + 32 : c);
const step = (c) => (units === "us" ? c * 1.8 : c);
const mark = () => (units === "us" ? "°F" : "°C");
// Rounded toward the worse side, as on the other screens: temperatures up, margins and times down.
const minus = (n) => (n < 0 ? "−" + -n : String(n));
const up = (x) => minus(Math.ceil(x - 0.05));
const down = (x) => minus(Math.floor(x + 0.05));
const showTemp = (c) => (known(c) ? up(temp(c)) + " " + mark() : DASH);
const range = (b, how) => (known(b.low) && known(b.high) ? `${how(b.low)}…${how(b.high)}` : "");
const showBand = (b, how) => (b && known(b.likely) ? `${how(b.likely)} ${mark()}\n${range(b, how)}` : DASH);
const tempUp = (c) => up(temp(c));
const stepDown = (c) => down(step(c));
// In words a temperature is written "95 C" and a difference "7 K"; both are shown in the unit of the page.
const inWords = (words) => words.replace(/(?<![\w.])([-+]?\d+(?:\.\d+)?) ([CK])(?!\w)/g,
  (_, n, unit) => (n.startsWith("+") ? "+" : "") + minus(Math.round(unit === "C" ? temp(Number(n)) : step(Number(n)))) + " " + mark());
const showSeconds = (s) => (s < 100 ? Math.round(s) + " s" : Math.floor(s / 60) + " min");

function fresh() { return said !== null && performance.now() - cameMs <= OLD_MS; }

function crossing(now) {
  if (now.crossing === "none_foreseen") {
    const most = Math.max(0, ...Object.values(now.chance || {}), (now.road && now.road.chance) || 0);
    return (most >= 0.25 ? "possible" : "unlikely") + " in 15 min";
  }
  const t = now.time_to_limit_s;
  if (now.crossing !== "known" || !t || !known(t.likely)) return DASH;
  if (t.likely <= 0) return "now";
  return known(t.low) && Math.floor(t.low / 60) !== Math.floor(t.likely / 60) && t.likely >= 100
    ? `${Math.floor(t.low / 60)}…${showSeconds(t.likely)}` : showSeconds(t.likely);
}

function climb(now) {
  const c = now.climb;
  if (!c || !c.on || !known(c.gained_m)) return DASH;
  const length = (m) => (units === "us" ? Math.round(m / 0.3048) + " ft" : Math.round(m) + " m");
  return "+" + length(c.gained_m) + (known(c.to_go_m) ? ", " + length(c.to_go_m) + " to go" : "");
}

function gain(a) {
  const parts = [];
  if (a.gain_c && known(a.gain_c.likely)) parts.push(down(step(a.gain_c.likely)) + " " + mark() + " cooler");
  if (known(a.gain_s) && a.gain_s > 0) parts.push(showSeconds(a.gain_s) + " later");
  return parts.join(", ");
}

function advise(list) {
  const ol = at("advice");
  const key = JSON.stringify([list, units]);
  if (ol.dataset.key === key) return;
  ol.dataset.key = key;
  ol.replaceChildren();
  for (const a of list.slice(0, 5)) {
    const li = document.createElement("li");
    li.textContent = a.words + (gain(a) ? " – " + gain(a) : "");
    if (a.why) { const why = document.createElement("small"); why.textContent = a.why; li.append(why); }
    ol.append(li);
  }
  if (!list.length) { const li = document.createElement("li"); li.textContent = DASH; ol.append(li); }
}

function ageWords(live) {
  if (everCameMs === null) return connected ? "no data yet" : "monitor not reached";
  const silent = (performance.now() - cameMs) / 1000;
  if (!live) return `no data for ${showSeconds(silent)}`;
  const word = STATUS[said.status] ?? said.status;
  const age = known(said.age_s) ? `reading ${showSeconds(said.age_s)} old` : "";
  return word ? (age && said.status !== "engine_off" ? `${word}, ${age}` : word) : age;
}

function render() {
  const live = fresh();
  const now = live ? said : {};
  const level = live && SHAPES[said.level] ? said.level : "unknown";
  document.body.dataset.level = level;
  document.body.classList.toggle("old", !(live && now.estimate_c));
  at("shape-path").setAttribute("d", SHAPES[level]);
  put("level", live ? level + (said.silenced ? " (silenced)" : "") : "no data" + (ALARMS.has(said?.level) ? ", was " + said.level : ""));
  put("age", ageWords(live));
  const margin = now.trusted === false ? null : now.margin_c;
  const over = margin && known(margin.likely) && margin.likely < 0;
  put("margin", margin && known(margin.likely) ? stepDown(margin.likely) + mark() : DASH);
  put("margin-words", !margin || !known(margin.likely) ? (now.trusted === false ? "sensor not believed: watch the gauge" : "to the limit: not known")
    : (over ? "OVER the limit" : "to the limit") + (range(margin, stepDown) && ", " + range(margin, stepDown)));
  const advice = now.advice || [];
  put("action", live ? (advice.length ? advice[0].words : "") : "watch the dash gauge");
  put("coolant", showTemp(now.coolant_c) + (now.trusted === false ? " ?" : ""));
  put("limit", showTemp(now.limit_c));
  put("time", crossing(now));
  put("settles", showBand(now.settles_c, tempUp));
  put("climb", climb(now));
  put("boil", showBand(now.boil_margin_c, stepDown));
  advise(advice);
  put("doubts", (now.doubts || []).length ? "Doubt: " + now.doubts.map(inWords).join("; ") : "");
  draw(live && now.estimate_c ? now : null);
}

const SVG = "http://www.w3.org/2000/svg";
function add(parent, kind, attributes, text) {
  const e = document.createElementNS(SVG, kind);
  for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
  if (text !== undefined) e.textContent = text;
  parent.append(e);
  return e;
}

function draw(now) {
  const svg = at("trend");
  svg.replaceChildren();
  const [left, right, top, bottom] = [34, 352, 8, 168];
  const x = (s) => left + ((s + PAST_S) / (PAST_S + AHEAD_S)) * (right - left);
  for (const [s, words] of [[-900, "−15 min"], [-300, "−5"], [0, "now"], [300, "+5"], [600, "+10"]]) {
    add(svg, "line", { class: s === 0 ? "now" : "grid", x1: x(s), x2: x(s), y1: top, y2: bottom });
    add(svg, "text", { x: x(s), y: 184, "text-anchor": s === -900 ? "start" : s === 600 ? "end" : "middle" }, words);
  }
  if (!now) { add(svg, "text", { x: 193, y: 90, "text-anchor": "middle" }, "no live data"); return; }

  const t = now.time_s;
  const past = trail.filter(([s]) => t - s <= PAST_S && s <= t).map(([s, c]) => [s - t, c]);
  if (known(now.estimate_c.likely)) past.push([0, now.estimate_c.likely]);
  const ahead = Object.entries(now.ahead_c || {}).map(([s, b]) => [Number(s), b])
    .filter(([s, b]) => s <= AHEAD_S && b && known(b.low) && known(b.likely) && known(b.high)).sort((a, b) => a[0] - b[0]);
  if (ahead.length && known(now.estimate_c.likely)) {
    const e = now.estimate_c;
    ahead.unshift([0, { low: e.low ?? e.likely, likely: e.likely, high: e.high ?? e.likely }]);
  }
  const lines = [now.limit_c, now.stop_c].filter(known);
  const all = [...past.map((p) => p[1]), ...ahead.flatMap(([, b]) => [b.low, b.high]), ...lines.slice(0, 1)];
  if (!all.length) return;
  let low = Math.min(...all) - 3;
  let high = Math.max(...all) + 4;
  if (high - low < 20) low = high - 20;
  const y = (c) => bottom - ((Math.min(Math.max(c, low), high) - low) / (high - low)) * (bottom - top);

  const every = units === "us" ? 20 : 10;
  for (let v = Math.ceil(temp(low) / every) * every; v <= temp(high); v += every) {
    const c = units === "us" ? (v - 32) / 1.8 : v;
    add(svg, "line", { class: "grid", x1: left, x2: right, y1: y(c), y2: y(c) });
    add(svg, "text", { x: left - 4, y: y(c) + 4, "text-anchor": "end" }, String(v));
  }
  if (ahead.length) {
    const hatch = add(add(svg, "defs", {}), "pattern", { id: "hatch", width: 6, height: 6, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" });
    add(hatch, "line", { class: "hatch", x1: 0, y1: 0, x2: 0, y2: 6 });
    const rim = [...ahead.map(([s, b]) => [s, b.high]), ...ahead.map(([s, b]) => [s, b.low]).reverse()];
    add(svg, "polygon", { class: "band", fill: "url(#hatch)", points: rim.map(([s, c]) => `${x(s).toFixed(1)},${y(c).toFixed(1)}`).join(" ") });
    add(svg, "polyline", { class: "likely", points: ahead.map(([s, b]) => `${x(s).toFixed(1)},${y(b.likely).toFixed(1)}`).join(" ") });
  }
  for (const [c, kind, words] of [[now.limit_c, "limit", "limit"], [now.stop_c, "stop", "stop"]]) {
    if (!known(c) || c > high || c < low) continue;
    add(svg, "line", { class: kind, x1: left, x2: right, y1: y(c), y2: y(c) });
    add(svg, "text", { x: left + 4, y: y(c) - 4 }, `${words} ${showTemp(c)}`);
  }
  let piece = [];
  const pieces = [piece];
  for (const p of past) {
    if (piece.length && p[0] - piece[piece.length - 1][0] > 3 * TRAIL_EVERY_S) { piece = []; pieces.push(piece); }
    piece.push(p);
  }
  for (const each of pieces) {
    add(svg, "polyline", { class: "past", points: each.map(([s, c]) => `${x(s).toFixed(1)},${y(c).toFixed(1)}`).join(" ") });
  }
}

// A line that was held up on its way (a weak network, a phone just woken) is as old as its delay.  The least delay seen
// is forgotten slowly, so that a clock that stood still at either end costs some seconds of dashes, not the drive.
function delayMs(line) {
  const offsetMs = performance.now() - line.time_s * 1000;
  leastOffsetMs = Math.min(leastOffsetMs + FORGET_MS, offsetMs);
  return offsetMs - leastOffsetMs;
}

function hear(line) {
  if (said && line.time_s < said.time_s) { trail = []; leastOffsetMs = Infinity; }
  said = line;
  everCameMs = performance.now();
  cameMs = everCameMs - delayMs(line);
  const e = line.estimate_c;
  if (e && known(e.likely) && (!trail.length || line.time_s - trail[trail.length - 1][0] >= TRAIL_EVERY_S)) {
    trail.push([line.time_s, e.likely]);
    if (trail.length > TRAIL_POINTS) trail.shift();
  }
  render();
}

const events = new EventSource("/events");
events.addEventListener("open", () => { connected = true; render(); });
events.addEventListener("error", () => { connected = false; render(); });
events.addEventListener("hello", (e) => {
  const hello = JSON.parse(e.data);
  units = hello.units === "us" ? "us" : "metric";
  trail = Array.isArray(hello.trail) ? hello.trail : [];
  connected = true;
  render();
});
events.addEventListener("line", (e) => hear(JSON.parse(e.data)));
events.addEventListener("gone", () => { cameMs = Math.min(cameMs, performance.now() - OLD_MS - 1); render(); });
document.addEventListener("visibilitychange", render);
setInterval(() => { if (!fresh()) render(); }, 500);
render();
