// The chanter passed round: one key for who plays next, and what the chanter says meanwhile.

import { byId, write } from "/kit/dom.js";
import { ask } from "/kit/entry.js";
import { NO_ANSWER } from "./sentences.js";

const EVERY_MS = 2_000;
const KEPT = "fingerlead-keys";

export function startRound() {
  const keys = byId("keys");
  // A screen reader may need these keys: they can be switched off, for as long as the page is open.
  keys.checked = sessionStorage.getItem(KEPT) !== "off";
  keys.addEventListener("change", () => sessionStorage.setItem(KEPT, keys.checked ? "on" : "off"));
  document.addEventListener("keydown", (event) => {
    const typing = event.target.matches("input:not([type=checkbox]), select, textarea");
    if (!keys.checked || typing || event.repeat || event.ctrlKey || event.altKey || event.metaKey) return;
    document.querySelector(`#round button[data-key="${CSS.escape(event.key.toLowerCase())}"]`)?.click();
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
