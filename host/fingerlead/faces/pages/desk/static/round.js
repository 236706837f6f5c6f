// The chanter passed round: one key for who plays next; what is played, and what the chanter says, meanwhile.

import { byId, make, write } from "/kit/dom.js";
import { ask } from "/kit/entry.js";
import { NO_ANSWER } from "./sentences.js";
import { startKeys } from "./shortcuts.js";

const EVERY_MS = 500;

export function startRound() {
  startKeys(byId("keys"), (key) => {
    const button = document.querySelector(`#round button[data-key="${CSS.escape(key)}"]`);
    if (button && !button.closest("[hidden]")) button.click();
    return Boolean(button);
  });
  look();
}

// One answer after the other: where the host is slow, no more are asked for.
async function look() {
  if (!document.hidden) await show().catch(() => write(byId("round-told"), NO_ANSWER));
  if (byId("round")) setTimeout(look, EVERY_MS);
}

async function show() {
  const round = byId("round");
  const answer = await ask(`/round.json?known=${round.dataset.now}`);
  if (!answer.ok) {
    write(byId("round-told"), await answer.text());
    return;
  }
  const { now, trouble, note, late, order } = await answer.json();
  // It went on in another window.
  if (order) pass(round, now, order);
  write(byId("round-told"), [round.dataset.who, trouble].filter(Boolean).join(" "));
  write(byId("round-note"), note || "–");
  const list = byId("round-late");
  const texts = late.map(({ text }) => text).join();
  if (list.dataset.texts !== texts) {
    list.dataset.texts = texts;
    list.replaceChildren(...late.map(({ text, astray }) => make("li", { class: astray && "astray" }, text)));
  }
}

function pass(round, now, order) {
  round.dataset.now = now;
  round.dataset.who = order.who;
  for (const which of ["next", "before"]) {
    const form = byId(`round-${which}`);
    const pupil = order[which];
    form.hidden = !pupil;
    if (!pupil) continue;
    form.elements.key.value = pupil.key;
    write(form.querySelector("bdi"), pupil.name);
  }
  byId("round-down").hidden = !now;
  write(byId("round-then"), order.then.map(({ name }) => name).join(", "));
}
