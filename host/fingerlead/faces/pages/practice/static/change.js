// The last change in all its detail: its sentence, its finger strip, and the ways to hear it again.

import { byId, make, picture, write } from "/kit/dom.js";
import { say } from "/kit/texts.js";
import { shownChange, state } from "./state.js";
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
    write(byId("change-name"), change ? name(change) : "");
    const strip = picture(change?.strip_svg);
    byId("strip").replaceChildren(...(strip ? [strip, make("p", { class: "soft" }, change.strip_words)] : []));
    drawHear(change);
  }
  write(byId("change-sentence"), change ? withoutName(change) : say("change.waiting"));
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
