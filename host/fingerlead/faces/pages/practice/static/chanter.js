// The chanter as a picture: its eight holes as they are now and, beside them, those of the note to play.

import { byId, draw, make, tell, write } from "/kit/dom.js";
import { say } from "/kit/texts.js";
import { shownMask, state, wantedGraces, wantedNote } from "./state.js";
import { keyNames } from "./keys.js";

const HOLES_Y = [52, 96, 150, 204, 284, 338, 392, 446];
const BODY_X = 112;
const THUMB_OUT = 50;
const NEXT_X = 226;
const R = 21;

let parts = null;
let last = {};

export function drawChanter() {
  const look = {
    mask: shownMask(), wanted: wantedNote(), help: helpFor(wantedNote()), hand: state.handOnTop,
    keys: state.playing === "keys" ? keyNames().join() : "", away: state.chanter?.state === "away" && !state.playing,
    replay: Boolean(state.replay), note: heardNote(), fingering: state.holes?.fingering,
    graces: wantedGraces().join(),
  };
  if (!parts || look.hand !== last.hand || look.keys !== last.keys) build(look);
  if (Object.keys(look).every((key) => look[key] === last[key])) return;
  last = look;
  byId("chanter").classList.toggle("away", Boolean(look.away));
  const wantedMask = look.help >= 2 ? state.chart[look.wanted] : null;
  for (let hole = 0; hole < 8; hole++) {
    const covered = look.mask != null && (look.mask >> hole) & 1;
    parts.holes[hole].classList.toggle("covered", Boolean(covered));
    parts.next[hole].classList.toggle("gone", wantedMask == null);
    parts.arrows[hole].classList.add("gone");
    if (wantedMask == null) continue;
    const wants = (wantedMask >> hole) & 1;
    parts.next[hole].classList.toggle("covered", Boolean(wants));
    const moves = look.mask != null && !look.replay && Boolean(wants) !== Boolean(covered);
    parts.arrows[hole].classList.toggle("gone", !moves);
  }
  parts.svg.classList.toggle("replay", look.replay);
  parts.svg.setAttribute("aria-label", inWords(look));
  byKeys(Boolean(look.keys));
  drawNames(look);
}

export const helpFor = (note) => (note == null ? 0 : state.rung?.help?.[note] ?? 2);

// The note of the mask that is shown; the host names it, and its echo may be of a moment ago.
function heardNote() {
  if (state.replay) return state.replay.note;
  return state.holes?.note ?? null;
}

function drawNames(look) {
  const { nowLabel, now, next, nextLabel, graces, false: wrong } = parts.names;
  const silent = look.mask == null ? "–" : look.mask === 0 ? say("now.silent") : "";
  const name = look.note == null ? silent || "–" : state.notes[look.note];
  write(nowLabel, say(look.replay ? "now.played" : "now.now"));
  writeNote(now, silent || name);
  tell(wrong, look.fingering === "false" && look.mask && !look.replay
    ? say("now.false", { note: name ?? "" }) : "");
  const shown = look.wanted != null && look.help >= 1;
  writeNote(next, shown ? state.notes[look.wanted] : "");
  nextLabel.hidden = !shown;
  const named = wantedGraces().map((note) => state.notes[note]).join(", ");
  tell(graces, named ? say("now.graces", { graces: named }) : "");
}

// "low A" as a large A with a small "low" before it; other words stay words.
function writeNote(element, name) {
  if (element.dataset.name === name) return;
  element.dataset.name = name;
  const [, small, large] = /^(?:(low|high) )?([A-G])$/.exec(name ?? "") ?? [];
  if (!large) element.replaceChildren(make("span", { class: "word" }, name || ""));
  else element.replaceChildren(make("span", { class: "octave" }, small ? `${small} ` : ""), large);
}

function build(look) {
  const right = look.hand === "right";
  const thumbX = BODY_X + (right ? THUMB_OUT : -THUMB_OUT);
  const x = (hole) => (hole === 0 ? thumbX : BODY_X);
  const keys = look.keys ? keyNames() : [];
  const disc = (hole) => draw("g", { class: hole ? "hole" : "hole thumb" },
    draw("circle", { cx: x(hole), cy: HOLES_Y[hole], r: R }),
    keys[hole] ? draw("text", { x: x(hole), y: HOLES_Y[hole] + 7, "text-anchor": "middle" }, keys[hole].slice(0, 2)) : null);
  const holes = HOLES_Y.map((_, hole) => disc(hole));
  const next = HOLES_Y.map((y, hole) => draw("g", { class: "hole small" }, draw("circle", { cx: NEXT_X, cy: y, r: 13 })));
  const from = (hole) => x(hole) + R + 30;
  const arrows = HOLES_Y.map((y, hole) =>
    draw("path", { class: "arrow", d: `M${NEXT_X - 20} ${y}H${Math.max(from(hole), BODY_X + 52)}m9 -8l-9 8l9 8` }));
  const body = draw("path", { class: "body",
    d: `M${BODY_X - 27} 8H${BODY_X + 27}L${BODY_X + 40} 500H${BODY_X - 40}ZM${BODY_X - 52} 500H${BODY_X + 52}V520H${BODY_X - 52}Z` });
  const hand = (from, to, words) => draw("g", { class: "hand" },
    draw("path", { d: `M22 ${from}H14V${to}H22` }),
    draw("text", { x: 0, y: 0, transform: `translate(7 ${(from + to) / 2}) rotate(-90)`, "text-anchor": "middle" }, words));
  const svg = draw("svg", { class: "chanter-svg", viewBox: "-8 0 252 528", role: "img" },
    holes[0], body, ...holes.slice(1), ...arrows, ...next,
    hand(HOLES_Y[0] - 12, HOLES_Y[3] + 16, say(right ? "now.right" : "now.left")),
    hand(HOLES_Y[4] - 16, HOLES_Y[7] + 16, say(right ? "now.left" : "now.right")));
  byId("chanter").replaceChildren(svg);
  const names = {
    nowLabel: make("span", { class: "name-label" }), now: make("span", { class: "note now" }),
    nextLabel: make("span", { class: "name-label" }, say("now.next")), next: make("span", { class: "note next" }),
    false: make("p", { class: "false small", hidden: true }),
    graces: make("p", { class: "graces", hidden: true }),
  };
  byId("names").replaceChildren(
    make("p", { class: "one-name wanted" }, names.nextLabel, names.next), names.graces,
    make("p", { class: "one-name" }, names.nowLabel, names.now), names.false);
  parts = { svg, holes, next, arrows, names };
  last = {};
}

// While the keys are holes, this is where they work: a screen reader hands them over to the page here.
function byKeys(on) {
  const box = byId("chanter");
  if (on === box.hasAttribute("tabindex")) return;
  const names = keyNames();
  const label = say("eight.region", { thumb: say("eight.space"), ...Object.fromEntries(names.map((name, i) => [`k${i}`, name])) });
  const attributes = { tabindex: "0", role: "application", "aria-label": label };
  for (const [name, value] of Object.entries(attributes)) {
    if (on) box.setAttribute(name, value);
    else box.removeAttribute(name);
  }
}

function inWords({ mask, wanted, note }) {
  if (mask == null) return say("now.picture");
  const named = (want) => state.fingers.filter((_, hole) => ((mask >> hole) & 1) === want).join(", ") || say("now.none");
  const words = say("now.holes_words", {
    note: note == null || mask === 0 ? say("now.silent") : state.notes[note], covered: named(1), open: named(0),
  });
  return wanted == null ? words : `${words} ${say("now.to_play_words", { note: state.notes[wanted] })}`;
}
