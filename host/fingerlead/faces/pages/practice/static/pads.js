// A touch screen as eight holes. A finger (or pen) on a pad covers it while it lies there; a mouse, Enter or a switch
// covers at one press and opens at the next.

import { byId, make, write } from "/kit/dom.js";
import { state } from "./state.js";
import { lookNow, markWords } from "./hands.js";

let cover = () => {};
let built = null;
let look = "";
const touching = new Map(); // pointer -> hole
const toggled = new Set();

export function startPads(covers) {
  cover = covers;
  const pads = byId("pads");
  pads.addEventListener("pointerdown", (event) => {
    const hole = holeAt(event.target);
    if (hole == null || event.pointerType === "mouse") return;
    event.preventDefault();
    touching.set(event.pointerId, hole);
    changed();
  });
  // A finger may slide from one hole to the next, as it may on wood.
  pads.addEventListener("pointermove", (event) => {
    if (!touching.has(event.pointerId)) return;
    const hole = holeAt(document.elementFromPoint(event.clientX, event.clientY));
    if (hole === touching.get(event.pointerId)) return;
    touching.set(event.pointerId, hole);
    changed();
  });
  for (const end of ["pointerup", "pointercancel"]) {
    addEventListener(end, (event) => touching.delete(event.pointerId) && changed());
  }
  pads.addEventListener("click", (event) => {
    const hole = holeAt(event.target);
    // A finger's own click follows its touch: that is no second press.
    if (hole == null || (event.pointerType && event.pointerType !== "mouse")) return;
    if (!toggled.delete(hole)) toggled.add(hole);
    changed();
  });
  pads.addEventListener("contextmenu", (event) => event.preventDefault());
  for (const lost of ["blur", "pagehide"]) addEventListener(lost, liftAll);
}

export function liftAll() {
  if (!touching.size && !toggled.size) return;
  touching.clear();
  toggled.clear();
  changed();
}

const holeAt = (element) => {
  const pad = element?.closest?.(".pad");
  return pad ? Number(pad.dataset.hole) : null;
};

function changed() {
  if (state.playing !== "touch") return;
  let mask = 0;
  for (const hole of [...touching.values(), ...toggled]) if (hole != null) mask |= 1 << hole;
  cover(mask);
}

export function drawPads() {
  const pads = byId("pads");
  const shown = state.playing === "touch";
  pads.hidden = !shown;
  document.body.classList.toggle("touching", shown);
  if (!shown) return;
  const key = `${state.handOnTop} ${state.fingers}`;
  if (built !== key) {
    built = key;
    look = "";
    const pad = (hole) => make("button", { class: "pad", "data-hole": hole, "aria-pressed": "false" },
      make("span", {}, state.fingers[hole] ?? ""), make("i", { "aria-hidden": "true" }));
    const hand = (name, holes) => make("div", { class: `hand-pads ${name}` }, ...holes.map(pad));
    const right = state.handOnTop === "right";
    const top = hand(right ? "on-right has-thumb" : "on-left has-thumb", [0, 1, 2, 3]);
    const bottom = hand(right ? "on-left" : "on-right", [4, 5, 6, 7]);
    pads.replaceChildren(...(right ? [bottom, top] : [top, bottom]));
  }
  const mask = state.replay ? state.replay.mask : state.ownMask;
  const asked = lookNow(mask);
  const now = JSON.stringify([mask, asked]);
  if (now === look) return;
  look = now;
  for (const pad of pads.querySelectorAll(".pad")) {
    const hole = Number(pad.dataset.hole);
    const covered = Boolean((mask >> hole) & 1);
    pad.classList.toggle("covered", covered);
    pad.setAttribute("aria-pressed", String(covered));
    write(pad.lastElementChild, markWords(asked, hole).filter(Boolean).join(", "));
    pad.classList.toggle("leads", asked.hair === hole);
  }
}
