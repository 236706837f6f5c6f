// Eight keys of the computer as eight holes, laid as the hands lie on the middle row: four fingers and a thumb of the
// top hand, four fingers of the bottom hand. A key that is down covers its hole.

import { byId, make, write } from "/kit/dom.js";
import { say } from "/kit/texts.js";
import { state } from "./state.js";

// By place on the board (KeyboardEvent.code), from the index outwards, for the left and the right hand.
const SETS = {
  home: { left: ["KeyF", "KeyD", "KeyS", "KeyA"], right: ["KeyJ", "KeyK", "KeyL", "Semicolon"] },
  above: { left: ["KeyR", "KeyE", "KeyW", "KeyQ"], right: ["KeyU", "KeyI", "KeyO", "KeyP"] },
  apart: { left: ["KeyR", "KeyE", "KeyW", "KeyQ"], right: ["KeyM", "Comma", "Period", "Slash"] },
};
const LETTERS = { Semicolon: ";", Comma: ",", Period: ".", Slash: "/", Space: "␣" };

let set = "home";
let board = null; // what is printed on the keys, where the browser can tell
let act = {};
const down = new Set();
let most = 0;

export function startKeys(actions) {
  act = actions;
  navigator.keyboard?.getLayoutMap?.().then((map) => { board = map; }, () => {});
  document.addEventListener("keydown", (event) => onKey(event, true));
  document.addEventListener("keyup", (event) => onKey(event, false));
  addEventListener("blur", letGo);
  document.addEventListener("visibilitychange", () => document.hidden && letGo());
  byId("keys-other").addEventListener("click", otherSet);
  byId("keys-go").addEventListener("click", () => act.play("keys"));
  byId("keys-touch").addEventListener("click", () => act.play("touch"));
}

// The key of each hole, thumb first.
function keyCodes() {
  const top = SETS[set][state.handOnTop === "right" ? "right" : "left"];
  const bottom = SETS[set][state.handOnTop === "right" ? "left" : "right"];
  return ["Space", ...top.slice(0, 3), ...bottom];
}

export const keyNames = () => keyCodes().map(keyName);

function keyName(code) {
  const printed = board?.get(code);
  if (printed && code !== "Space") return printed.toUpperCase();
  return LETTERS[code] ?? code.replace("Key", "");
}

const active = () => state.checking === "keys" || state.playing === "keys";

// Typing into a field or moving a slider stays what it is.
const inField = (target) => target instanceof Element && target.closest("input:not([type=checkbox], [type=radio]), select, textarea, dialog");

function onKey(event, isDown) {
  if (!active()) return;
  if (event.key === "Escape" && isDown && !document.querySelector("dialog[open]")) {
    event.preventDefault();
    letGo();
    act.leave();
    return;
  }
  const hole = keyCodes().indexOf(event.code);
  if (hole < 0 || event.ctrlKey || event.metaKey || event.altKey) return;
  if (isDown && inField(event.target)) return;
  event.preventDefault();
  const had = down.size;
  if (isDown) down.add(hole);
  else down.delete(hole);
  if (down.size === had) return;
  if (state.checking) counted();
  else act.cover(maskOf(down));
}

const maskOf = (holes) => [...holes].reduce((mask, hole) => mask | (1 << hole), 0);

export function letGo() {
  if (!down.size) return;
  down.clear();
  if (state.playing === "keys") act.cover(0);
  else drawCheck();
}

// "Hold all eight": most keyboards can, some lose keys that share a wire.
export function startCheck() {
  down.clear();
  most = 0;
  const top = say(state.handOnTop === "right" ? "now.right" : "now.left");
  write(byId("keys-lie"), say("eight.as_hands_lie", { top }));
  const codes = keyCodes();
  // As they lie before the player: left hand's outermost key first.
  const leftTop = state.handOnTop !== "right";
  const row = leftTop ? [3, 2, 1, 4, 5, 6, 7] : [7, 6, 5, 4, 1, 2, 3];
  const cap = (hole) => make("kbd", { class: hole === 0 ? "cap space" : hole === 4 && leftTop || hole === 1 && !leftTop ? "cap apart" : "cap", "data-hole": hole },
    make("b", {}, hole === 0 ? say("eight.space") : keyName(codes[hole])), make("small", {}, state.fingers[hole] ?? ""));
  byId("key-caps").replaceChildren(make("div", { class: "cap-row" }, ...row.map(cap)), make("div", { class: "cap-row" }, cap(0)));
  drawCheck();
}

function counted() {
  if (down.size > most) {
    most = down.size;
    act.holds(most);
  }
  drawCheck();
}

function drawCheck() {
  for (const cap of document.querySelectorAll("#key-caps .cap")) cap.classList.toggle("held", down.has(Number(cap.dataset.hole)));
  write(byId("keys-count"), say("eight.count", { count: most }));
  // Said only once the fingers are up again, when the count is known.
  const done = down.size === 0 && most > 0;
  write(byId("keys-go"), say(most === 8 ? "eight.go" : most ? "eight.anyway" : "eight.untried"));
  byId("keys-go").classList.toggle("main", most === 8);
  byId("keys-other").classList.toggle("main", done && most < 8);
  if (most === 8) write(byId("keys-told"), say("eight.all"));
  else if (done || most === 0) write(byId("keys-told"), done ? say("eight.some", { count: most }) : "");
}

function otherSet() {
  const names = Object.keys(SETS);
  set = names[(names.indexOf(set) + 1) % names.length];
  startCheck();
  byId("keys-title").focus();
}

export function drawPlayMode() {
  const line = byId("play-mode");
  line.hidden = state.chanter?.source !== "page" && !state.playing;
  if (line.hidden) return;
  const keys = state.playing === "keys";
  const touch = state.playing === "touch";
  const feels = state.feels ?? navigator.maxTouchPoints;
  const few = touch && feels > 0 && feels < 8;
  write(byId("play-mode-words"), keys ? say("eight.mode") : few
    ? say("touch.few", { count: feels }) : touch ? say("touch.about") : "");
  write(byId("play-mode-button"), say(keys ? "eight.leave" : "eight.resume"));
  byId("play-mode-check").hidden = keys;
}
