// The chanter passed round: one key for who plays next, and what the chanter says meanwhile.

import { byId, write } from "/kit/dom.js";
import { ask } from "/kit/entry.js";
import { NO_ANSWER } from "./sentences.js";
import { startKeys } from "./shortcuts.js";

const EVERY_MS = 2_000;

export function startRound() {
  startKeys(byId("keys"), (key) => {
    const button = document.querySelector(`#round button[data-key="${CSS.escape(key)}"]`);
    button?.click();
    return Boolean(button);
  });
  setInterval(look, EVERY_MS);
}

async function look() {
  try {
    const answer = await ask("/round.json");
    write(byId("round-told"), answer.ok ? (await answer.json()).told : await answer.text());
  } catch {
    write(byId("round-told"), NO_ANSWER);
  }
}
