// What came of it: in words first, then what can be done now, then the numbers.

import { byId, draw, make, tell, write } from "/kit/dom.js";
import { say } from "/kit/texts.js";

const SIGNS = { good: "●", doubtful: "◐", bad: "✕", not_judged: "○" };
const WORST_FIRST = ["bad", "doubtful", "not_judged"];
const WIDE = 1000;
let shown = "";

export function drawResult(stage, giving, ask) {
  const key = JSON.stringify([stage, giving]);
  if (key === shown) return;
  shown = key;
  const { reports, skew, given, last, trouble } = stage;
  const bad = reports.filter(({ verdict }) => verdict === "bad");
  write(byId("result-title"), title(stage));
  byId("findings").replaceChildren(...WORST_FIRST.flatMap((verdict) =>
    reports.filter((one) => one.verdict === verdict).map((one) => make("li", {}, sign(verdict), " ", one.words))));
  tell(byId("care"), reports.some(({ mend }) => mend) ? say("result.care") : "");
  const ungiven = reports.length > 0 && !given && !giving;
  const some = reports.some(({ kept }) => !kept);
  tell(byId("not-sent"), ungiven && last === "calibrate" && !trouble ? say(bad.length ? "result.not_sent_bad" : "result.not_sent") : "");
  // The second click of two would meet the button that has come to the same place: undo, where levels were given.
  const once = (then) => (event) => event.detail < 2 && then();
  const button = (text, main, then) =>
    make("button", { class: main ? "main" : null, disabled: giving, onclick: once(then) }, say(text));
  const give = (anyway) => () => ask("give", { run: stage.run, anyway });
  byId("actions").replaceChildren(...[
    ungiven && some && !bad.length && button("result.give", true, give(false)),
    given && button("result.undo", false, () => ask("undo")),
    button("result.again", ungiven && (bad.length || !some), () => ask(reports.length ? "calibrate" : last)),
    ungiven && some && bad.length && button("result.anyway", false, give(true)),
    button("result.other", false, () => ask("clear")),
  ].filter(Boolean));
  byId("tables").replaceChildren(...(reports.length ? [holesTable(stage)] : []), ...(skew ? [skewTable(skew)] : []));
}

function title({ reports, skew }) {
  const names = (verdict) => reports.filter((one) => one.verdict === verdict).map(({ finger }) => finger).join(", ");
  if (skew) return say("result.skew");
  if (!reports.length) return say("result.seal");
  for (const verdict of WORST_FIRST) {
    if (names(verdict)) return say(`result.${verdict}`, { names: names(verdict) });
  }
  return say("result.good");
}

const sign = (verdict) => make("span", { class: `sign-of ${verdict}`, "aria-hidden": "true" }, SIGNS[verdict]);

function holesTable({ reports, full_scale }) {
  const words = { good: say("result.is_good"), doubtful: say("result.is_doubtful"), bad: say("result.is_bad"), not_judged: say("result.is_not_judged") };
  const columns = [
    // Levels of a hole that keeps its old ones mean nothing, and are never given.
    ["result.levels", (report) => say(report.kept ? "result.unknown" : "result.levels_of", report)],
    ["result.open", ({ open }) => open],
    ["result.covered", ({ covered }) => covered],
    ["result.half", ({ half }) => half ?? say("result.unknown")],
    ["result.times_noise", ({ times_noise }) => times_noise],
    ["result.drift", ({ drift }) => drift],
    ["result.crosstalk", ({ crosstalk }) => crosstalk],
  ];
  // Stacked on a phone it stays a table for a screen reader only by these roles.
  const rows = reports.map((report) => make("tr", { role: "row", class: report.verdict },
    make("th", { role: "rowheader", scope: "row" }, report.finger),
    make("td", { role: "cell", class: "verdict" }, sign(report.verdict), " ", words[report.verdict]),
    ...columns.map(([name, value]) =>
      make("td", { role: "cell", class: "number", "data-head": say(name) }, String(value(report)))),
    make("td", { role: "cell", class: "swing" }, swing(report, full_scale))));
  return table("result.table", "result.table_about",
    [["result.finger"], ["result.verdict"], ...columns.map(([name]) => [name, "number"]), ["result.picture"]], rows);
}

// Open and covered as the ends of a line, the levels between them.
function swing({ kept, open, covered, uncover_at, cover_at }, fullScale) {
  const x = (value) => WIDE * value / (fullScale || 1);
  const level = (name, at) => draw("line", { class: `level ${name}`, x1: x(at), x2: x(at), y1: 0, y2: 100 });
  return draw("svg", { viewBox: `0 0 ${WIDE} 100`, preserveAspectRatio: "none", "aria-hidden": "true" },
    draw("rect", { class: "track", x: 0, y: 42, width: WIDE, height: 16 }),
    draw("rect", { class: "value", x: x(Math.min(open, covered)), y: 30, width: x(Math.abs(covered - open)), height: 40 }),
    ...(kept ? [] : [level("open", uncover_at), level("cover", cover_at)]));
}

function skewTable(skew) {
  const signed = (value) => (value > 0 ? "+" : value < 0 ? "−" : "") + Math.abs(value).toFixed(1);
  const rows = skew.map(({ finger, later_ms, lift_ms }) => make("tr", {}, make("th", { scope: "row" }, finger),
    make("td", { class: "number" }, signed(later_ms)), make("td", { class: "number" }, signed(lift_ms))));
  return table("result.table", null, [["result.finger"], ["result.later", "number"], ["result.lift", "number"]], rows);
}

function table(name, about, heads, rows) {
  return make("div", { class: "table-box", role: "region", tabindex: "0", "aria-label": say(name) },
    make("h2", {}, say(name)), about ? make("p", { class: "soft small" }, say(about)) : null,
    make("table", { role: "table", class: about ? "stacks" : null }, make("thead", {}, make("tr", {},
      ...heads.map(([head, style]) => make("th", { scope: "col", class: style }, say(head))))), make("tbody", {}, ...rows)));
}
