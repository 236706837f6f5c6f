// Eight bars of raw samples with the two levels as lines on them, their noise, and the last seconds.

import { byId, draw, make, write } from "/kit/dom.js";
import { say } from "/kit/texts.js";

const SECONDS = 4;
const STEPS = SECONDS * 30;
const WIDE = 1000;
const TALL = 100;
// Where less is to move, bars follow four times a second.
const CALM_MS = 250;
const calm = matchMedia("(prefers-reduced-motion: reduce)");

const past = Array.from({ length: 8 }, () => []);
let latest = null;
let rows = null;
let fullScale = 1;
let drawnAt = -Infinity;

export function takeSamples(message) {
  latest = message;
  past.forEach((values, hole) => {
    values.push([message.least[hole], message.greatest[hole], message.latest[hole]]);
    if (values.length > STEPS) values.shift();
  });
}

// Another job begins.
export function forgetSamples() {
  latest = null;
  drawnAt = -Infinity;
  for (const values of past) values.length = 0;
}

export function drawBars({ step, levels, full_scale, fingers }) {
  if (!rows) build(fingers);
  fullScale = full_scale || 1;
  rows.forEach((row, hole) => {
    row.item.classList.toggle("asked", step.hole === hole);
    for (const [name, level] of [["open", levels[hole]?.[1]], ["cover", levels[hole]?.[0]]]) {
      for (const line of row[name]) line.classList.toggle("gone", level == null);
      if (level == null) continue;
      place(row[name][0], "x1", "x2", WIDE * level / fullScale);
      place(row[name][1], "y1", "y2", height(level));
    }
  });
  const now = performance.now();
  if (!latest || (calm.matches && now - drawnAt < CALM_MS)) return;
  drawnAt = now;
  rows.forEach(drawRow);
}

const height = (value) => TALL * (1 - value / fullScale);

function place(line, first, second, at) {
  line.setAttribute(first, at);
  line.setAttribute(second, at);
}

function drawRow(row, hole) {
  row.value.setAttribute("width", WIDE * latest.latest[hole] / fullScale);
  write(row.now, String(latest.latest[hole]));
  write(row.noise, String(latest.noise[hole]));
  const values = past[hole];
  const x = (i) => i + STEPS - values.length;
  const upper = values.map(([, greatest], i) => `${x(i)},${height(greatest)}`);
  const lower = values.map(([least], i) => `${x(i)},${height(least)}`).reverse();
  row.band.setAttribute("points", [...upper, ...lower].join(" "));
  row.trace.setAttribute("points", values.map(([, , value], i) => `${x(i)},${height(value)}`).join(" "));
}

function build(fingers) {
  const hidden = { "aria-hidden": "true", preserveAspectRatio: "none" };
  rows = fingers.map((finger) => {
    const line = (name, from) => draw("line", { class: `level ${name}`, ...from });
    const across = { x1: 0, x2: STEPS - 1 };
    const up = { y1: 0, y2: TALL };
    const open = [line("open", up), line("open", across)];
    const cover = [line("cover", up), line("cover", across)];
    const value = draw("rect", { class: "value", x: 0, y: 18, width: 0, height: 64 });
    const band = draw("polygon", { class: "band" });
    const trace = draw("polyline", { class: "trace" });
    const now = make("span", { class: "now" });
    const noise = make("span", { class: "noise" });
    const item = make("div", { class: "bar-row", role: "row" },
      make("span", { class: "bar-hole", role: "rowheader" }, finger),
      make("span", { class: "bar", role: "cell" }, draw("svg", { viewBox: `0 0 ${WIDE} ${TALL}`, ...hidden },
        draw("rect", { class: "track", x: 0, y: 18, width: WIDE, height: 64 }), value, open[0], cover[0])),
      make("span", { class: "number", role: "cell" }, now),
      make("span", { class: "number", role: "cell" }, noise),
      make("span", { class: "past", role: "cell" },
        draw("svg", { viewBox: `0 0 ${STEPS - 1} ${TALL}`, ...hidden }, band, open[1], cover[1], trace)));
    return { item, value, open, cover, band, trace, now, noise };
  });
  const head = (name, style) => make("span", { role: "columnheader", class: style }, say(name, { seconds: SECONDS }));
  byId("bars").replaceChildren(make("div", { class: "bars", role: "table", "aria-label": say("raw.title") },
    make("div", { class: "bar-row head", role: "row" }, head("raw.hole", "bar-hole"), head("raw.sample", "bar"),
      head("raw.now", "number"), head("raw.noise", "number"), head("raw.lately", "past")),
    ...rows.map(({ item }) => item)));
}
