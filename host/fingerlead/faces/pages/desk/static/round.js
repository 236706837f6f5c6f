// The chanter passed round: one key for who plays next, and what the chanter says meanwhile.

const EVERY_MS = 2_000;
const KEPT = "fingerlead-keys";
const told = document.getElementById("round-told");
const keys = document.getElementById("keys");

// Whoever needs these keys for something else switches them off, for as long as the page is open.
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
    const now = answer.ok ? (await answer.json()).told : await answer.text();
    if (now !== told.textContent) told.textContent = now;
  } catch {
    told.textContent = "The studio no longer answers: look whether fingerlead is still running.";
  }
}

setInterval(look, EVERY_MS);
