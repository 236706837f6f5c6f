// The chanter passed round: one key for who plays next, and what the chanter says meanwhile.

import { byId, write } from "/kit/dom.js";

const EVERY_MS = 2_000;
const KEPT = "fingerlead-keys";
const told = byId("round-told");
const keys = byId("keys");

// A screen reader may need these keys: they can be switched off, for as long as the page is open.
keys.checked = sessionStorage.getItem(KEPT) !== "off";
keys.addEventListener("change", () => sessionStorage.setItem(KEPT, keys.checked ? "on" : "off"));

document.addEventListener("keydown", (event) => {
  const typing = event.target.matches("input:not([type=checkbox]), select, textarea");
  if (!keys.checked || typing || event.repeat || event.ctrlKey || event.altKey || event.metaKey) return;
  document.querySelector(`#round button[data-key="${CSS.escape(event.key.toLowerCase())}"]`)?.click();
});

async function look() {
  try {
    const answer = await fetch("/round.json");
    write(told, answer.ok ? (await answer.json()).told : await answer.text());
  } catch {
    write(told, "The studio no longer answers: look whether fingerlead is still running.");
  }
}

setInterval(look, EVERY_MS);
