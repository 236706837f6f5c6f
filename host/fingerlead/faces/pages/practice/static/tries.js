// A short try before playing: how many fingers the screen feels at once, or whether every hole of a chanter answers.

import { byId, make, write } from "/kit/dom.js";
import { say } from "/kit/texts.js";
import { state } from "./state.js";

const ALL = 0xff;
const SPOT_PX = 64;

let act = {};
let most = 0; // fingers at once
let mouse = false;
let answered = 0; // the holes that were covered
const touching = new Map(); // pointer -> its spot

export function startTries(actions) {
  act = actions;
  const area = byId("try-area");
  area.addEventListener("pointerdown", (event) => {
    if (state.checking !== "touch") return;
    event.preventDefault();
    mouse = event.pointerType === "mouse";
    if (!mouse) {
      touching.set(event.pointerId, area.appendChild(make("i", { class: "spot" })));
      most = Math.max(most, touching.size);
      if (most > 1) state.feels = most;
    }
    move(event);
    drawTry();
  });
  area.addEventListener("pointermove", move);
  for (const end of ["pointerup", "pointercancel"]) addEventListener(end, lift);
  area.addEventListener("contextmenu", (event) => event.preventDefault());
  byId("try-go").addEventListener("click", () => act.go());
  byId("try-keys").addEventListener("click", () => act.keys());
  byId("try-back").addEventListener("click", () => act.back());
}

function move({ pointerId, clientX, clientY }) {
  const spot = touching.get(pointerId);
  if (!spot) return;
  const { left, top } = byId("try-area").getBoundingClientRect();
  spot.style.transform = `translate(${clientX - left - SPOT_PX / 2}px, ${clientY - top - SPOT_PX / 2}px)`;
}

function lift({ pointerId }) {
  touching.get(pointerId)?.remove();
  if (touching.delete(pointerId)) drawTry();
}

export function startTry() {
  [most, mouse, answered] = [0, false, 0];
  touching.clear();
  const touch = state.checking === "touch";
  write(byId("try-title"), say(touch ? "try.touch" : "try.chanter"));
  write(byId("try-ask"), say(touch ? "try.touch_ask" : "try.chanter_ask"));
  byId("try-keys").hidden = !touch;
  byId("try-area").classList.toggle("frame", touch);
  byId("try-area").replaceChildren(...(touch ? [] : state.fingers.map((finger) =>
    make("span", { class: "answer" }, make("i", { "aria-hidden": "true" }), finger))));
  drawTry();
}

export function drawTry() {
  if (state.checking === "touch") drawTouch();
  else if (state.checking === "chanter") drawChanter();
}

function drawTouch() {
  write(byId("try-count"), say("try.fingers", { count: most }));
  // Said only once the fingers are up again, when the count is known.
  const words = most >= 8 ? say("try.touch_all") : mouse ? say("start.touch_mouse")
    : most && !touching.size ? say("try.touch_some", { count: most }) : "";
  if (words || !most) write(byId("try-told"), words);
  offer(most >= 8, most > 0);
}

function drawChanter() {
  const covered = state.holes?.covered_mask ?? 0;
  answered |= covered;
  byId("try-area").querySelectorAll(".answer").forEach((one, hole) => {
    one.classList.toggle("covered", Boolean((covered >> hole) & 1));
    one.classList.toggle("known", Boolean((answered >> hole) & 1));
  });
  const open = state.fingers.filter((_, hole) => !((answered >> hole) & 1));
  write(byId("try-count"), say("try.holes", { count: 8 - open.length }));
  write(byId("try-told"), !answered ? state.chanter?.sentence ?? ""
    : open.length ? say("try.not_yet", { fingers: open.join(", ") }) : say("try.chanter_all"));
  offer(answered === ALL, answered > 0);
  // Hands that hold a chanter press no key.
  if (covered === ALL) act.go();
}

function offer(done, tried) {
  write(byId("try-go"), say(done ? "eight.go" : tried ? "eight.anyway" : "eight.untried"));
  byId("try-go").classList.toggle("main", done);
}
