// The last change in one sentence and its finger strip, and the ways to hear it again.

import { byId, make, picture, tell, write } from "/kit/dom.js";
import { say } from "/kit/texts.js";
import { lastTry, shownChange, state } from "./state.js";
import { capital } from "./staff.js";
import { hear, stopHearing } from "./hear.js";

const SPEEDS = { quarter: 0.25, tenth: 0.1, twentieth: 0.05 };

let shown = null;
let list = null;
let replaying = null;

export function drawChange() {
  const change = shownChange();
  if (change !== shown) {
    shown = change;
    write(byId("change-name"), change ? name(change) : say("change.title"));
    const strip = picture(change?.strip_svg);
    byId("strip").replaceChildren(...(strip ? [strip] : []));
    drawHear(change);
  }
  write(byId("sentence"), change ? withoutName(change) : lastTry() || say("change.waiting"));
  if (state.replay?.key !== replaying) {
    replaying = state.replay?.key;
    for (const button of document.querySelectorAll("#hear [data-key]")) {
      button.setAttribute("aria-pressed", String(button.dataset.key === replaying));
    }
    const stop = document.querySelector("#hear .stop");
    if (stop) stop.hidden = !replaying;
  }
  if (state.changes !== list) {
    list = state.changes;
    drawEarlier();
  }
}

const name = (change) => capital(say("change.from_to", { from: state.notes[change.from], to: state.notes[change.to] }));

// The sentence may begin with the change's name, which stands above it already.
function withoutName(change) {
  const head = `${name(change)}: `;
  const text = change.sentence.startsWith(head) ? capital(change.sentence.slice(head.length)) : change.sentence;
  return change.again ? `${text} ${say("change.again")}` : text;
}

function drawHear(change) {
  const box = byId("hear");
  box.hidden = !change?.slow;
  if (box.hidden) return box.replaceChildren();
  const button = (words, label, what) => {
    const key = `${change.take} ${what.mended ? "mended" : what.phrase ? "phrase" : "take"} ${what.speed}`;
    return make("button", {
      "data-key": key, "aria-pressed": "false", "aria-label": label === words ? null : label,
      onclick: () => (state.replay?.key === key ? stopHearing() : hear({ ...what, take: change.take, key })),
    }, words);
  };
  const row = (words, base) => make("div", { class: "hear-row" }, make("span", { class: "hear-name" }, words),
    ...Object.entries(SPEEDS).map(([id, speed]) => {
      const part = say(`change.${id}`);
      return button(part, say("change.speed_of", { what: words, speed: part }), { ...base, speed });
    }));
  box.replaceChildren(...[
    row(say("change.slowly"), {}),
    change.mendable ? row(say("change.mended"), { mended: true }) : null,
    change.mendable ? make("p", { class: "soft small" }, say("change.mended_about")) : null,
    make("div", { class: "hear-row" }, button(say("change.phrase"), say("change.phrase"), { phrase: true, speed: 0.25 }),
      make("button", { class: "stop main", hidden: true, onclick: stopHearing }, say("change.stop"))),
  ].filter(Boolean));
  replaying = undefined;
}

function drawEarlier() {
  const earlier = list.slice(0, -1).reverse();
  byId("earlier").hidden = !earlier.length;
  byId("earlier").querySelector("ol").replaceChildren(...earlier.map((change) =>
    make("li", {}, make("button", { class: "plain wide", onclick: () => act(change) }, change.sentence))));
}

function act(change) {
  state.chosen = change;
  dispatchEvent(new Event("redraw"));
  byId("change-name").scrollIntoView({ block: "nearest" });
}

export function drawCount() {
  const { progress, rung } = state;
  if (!progress) return;
  write(byId("count-pass"), progress.again && !progress.passed ? say("count.again", { needed: progress.out?.needed ?? 0 })
    : progress.unclean ? say("count.unclean") : "");
  const rows = [progress.out, progress.back].filter(Boolean);
  const box = byId("counts");
  const key = JSON.stringify(rows);
  if (box.dataset.key !== key) {
    box.dataset.key = key;
    box.replaceChildren(...rows.map((row) => make("div", { class: "count-row" },
      make("span", { class: "count-name" }, capital(row.name)),
      make("span", { class: "dots", "aria-hidden": "true" },
        ...Array.from({ length: row.needed }, (_, i) => make("i", { class: i < row.in_a_row ? "on" : "" }))),
      make("span", { class: "count-number" }, say("count.of", row)))));
  }
  tell(byId("count-sentence"), shownChange() || !lastTry() ? progress.sentence ?? "" : "");
  const passes = byId("passes");
  passes.hidden = !rung?.passed_text;
  write(passes.querySelector("p"), rung?.passed_text ?? "");
}
