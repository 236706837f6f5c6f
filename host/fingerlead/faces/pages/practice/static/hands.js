// The hands of the practice page: beside a finger stands what it is to do, who leads, and what it did.

import { byId, draw, write } from "/kit/dom.js";
import { fromLeft, handsDrawn, HOLES_Y, pose, WIDTH } from "/kit/hand.js";
import { say } from "/kit/texts.js";
import { state } from "./state.js";
import { keyNames } from "./keys.js";
import { askedNote, holdNote, liveMask, phase } from "./phase.js";

let parts = null;
let built = "";
let last = "";

export const helpFor = (note) => (note == null ? 0 : state.rung?.help?.[note] ?? 2);

export function drawHands() {
  const key = [state.handOnTop, state.playing === "keys" ? keyNames().join() : ""].join(" ");
  if (!parts || key !== built) build(key);
  const live = state.replay ? state.replay.mask : liveMask();
  const look = lookNow(live);
  const now = JSON.stringify(look);
  if (now === last) return;
  last = now;
  byId("chanter").classList.toggle("away", look.away);
  parts.svg.classList.toggle("posed", look.posed);
  pose(parts, look.live, look.fingers);
  for (let hole = 0; hole < 8; hole++) {
    const finger = parts.fingers[hole];
    finger.classList.toggle("leads", look.hair === hole);
    finger.classList.toggle("wrong", look.wrong.includes(hole));
    mark(parts.marks[hole], look, hole);
  }
  parts.svg.setAttribute("aria-label", look.words);
  byKeys(state.playing === "keys");
}

// What is drawn: the fingers, and beside each what it is to do; `hair` goes a hair ahead or behind, `led` moved first.
export function lookNow(live) {
  const { told, replay, notes } = state;
  const away = state.chanter?.state === "away" && !state.playing;
  const now = phase();
  const asked = askedNote();
  const look = { live: live ?? 0, fingers: live ?? 0, moves: {}, hair: null, ahead: false, led: null, wrong: [], posed: false, away };
  const lead = ({ hair, from, note }) => Object.assign(look, { hair: hair ?? null, ahead: note > from });
  const moveTo = (from, to) => {
    for (let hole = 0; hole < 8; hole++) if (((from ^ to) >> hole) & 1) look.moves[hole] = (to >> hole) & 1 ? "cover" : "lift";
  };
  if (replay) {
    Object.assign(look, { hair: replay.hair ?? null, ahead: replay.ahead ?? false, led: replay.led ?? null });
  } else if (now === "before" && !live && asked && state.playing !== "touch") {
    const from = holdNote() == null ? state.chart[asked.from] : 0;
    Object.assign(look, { fingers: from, posed: holdNote() == null });
    moveTo(from, state.chart[asked.note] ?? 0);
    lead(asked);
  } else if (now === "after") {
    Object.assign(look, { hair: told.hair, ahead: told.notes[1] > told.notes[0], led: told.hair == null ? null : told.lead, wrong: told.fingers });
  } else if (live != null) {
    const lit = state.rung?.notes?.[state.lit?.index];
    const wanted = helpFor(lit?.note) >= 2 ? state.chart[lit?.note] : null;
    if (wanted != null) moveTo(live, wanted);
    if (wanted != null && live === state.chart[lit.from] && !lit.graces?.length) lead(lit);
  }
  look.words = inWords(live, notes);
  return look;
}

// What stands beside a finger, in words: what it is to do, or did; and that it goes a hair ahead, or behind.
export function markWords(look, hole) {
  const move = look.moves[hole];
  const hair = look.hair === hole ? say(look.ahead ? "hands.ahead" : "hands.behind") : "";
  if (move) return [say(move === "cover" ? "hands.cover" : "hands.lift"), hair];
  if (hair) return [hair, ""];
  if (look.led === hole) return [say("hands.led"), ""];
  return [look.wrong.includes(hole) ? state.fingers[hole] ?? "" : "", ""];
}

function mark({ group, icon, flag, text, more }, look, hole) {
  const move = look.moves[hole];
  const hair = look.hair === hole;
  const [words, aside] = markWords(look, hole);
  group.setAttribute("class", `mark ${move ?? ""} ${hair ? "hair" : ""} ${words ? "" : "gone"}`);
  icon.setAttribute("d", move === "cover" ? COVER : move === "lift" ? LIFT : "");
  flag.setAttribute("class", hair ? (look.ahead ? "ahead" : "behind") : look.led === hole ? "led" : "gone");
  text.classList.toggle("more", !move);
  text.setAttribute("dy", move && hair ? "-7" : "0");
  write(text, words);
  write(more, aside);
}

// Up and away, an open arrow; down and on, a full one on its hole's line.
const LIFT = "M0 10V-9M-8 -1L0 -10L8 -1";
const COVER = "M-8 -9H8V-1H12L0 11L-12 -1H-8Z";

function build(key) {
  built = key;
  last = "";
  const right = state.handOnTop === "right";
  const keys = state.playing === "keys" ? keyNames() : [];
  const keyText = HOLES_Y.map((y, hole) => (keys[hole] ? draw("text", { class: "key", x: fromLeft(hole, right) ? 78 : WIDTH - 78,
    y: y + 7, "text-anchor": "middle" }, keys[hole].slice(0, 2)) : null));
  const marks = HOLES_Y.map((y, hole) => {
    const toRight = fromLeft(hole, right);
    const at = toRight ? 276 : 164;
    const anchor = toRight ? "start" : "end";
    const turn = toRight ? 1 : -1;
    const made = {
      icon: draw("path", { class: "icon", transform: `translate(${at} ${y})` }),
      flag: draw("path", { class: "gone", d: `M${at - turn * 30} ${y - 9}l${turn * 16} 9l${-turn * 16} 9z` }),
      text: draw("text", { x: at + turn * 18, y: y + 8, "text-anchor": anchor }),
      more: draw("text", { class: "more", x: at + turn * 18, y: y + 21, "text-anchor": anchor }),
    };
    return { ...made, group: draw("g", { class: "mark gone" }, made.icon, made.flag, made.text, made.more) };
  });
  const name = (left, y, words) => draw("text", { class: "hand-name", x: left ? 8 : WIDTH - 8, y, "text-anchor": left ? "start" : "end" }, words);
  const names = draw("g", { class: "hand" }, name(!right, 12, say(right ? "now.right" : "now.left")), name(right, 444, say(right ? "now.left" : "now.right")));
  const { svg, holes, fingers } = handsDrawn(right, [...keyText, ...marks.map(({ group }) => group), names]);
  byId("chanter").replaceChildren(svg);
  parts = { svg, holes, fingers, marks };
}

// While the keys are holes, this is where they work: a screen reader hands them over to the page here.
function byKeys(on) {
  const box = byId("chanter");
  if (on === box.hasAttribute("tabindex")) return;
  const names = keyNames();
  const label = say("eight.region", { thumb: say("eight.space"), ...Object.fromEntries(names.map((name, i) => [`k${i}`, name])) });
  for (const [name, value] of Object.entries({ tabindex: "0", role: "application", "aria-label": label })) {
    if (on) box.setAttribute(name, value);
    else box.removeAttribute(name);
  }
}

function inWords(mask, notes) {
  if (mask == null) return say("now.picture");
  const named = (want) => state.fingers.filter((_, hole) => ((mask >> hole) & 1) === want).join(", ") || say("now.none");
  const note = state.replay ? state.replay.note : state.holes?.note ?? null;
  const words = say("now.holes_words", {
    note: note == null || mask === 0 ? say("now.silent") : notes[note], covered: named(1), open: named(0),
  });
  const wanted = state.lit?.note;
  return wanted == null ? words : `${words} ${say("now.to_play_words", { note: notes[wanted] })}`;
}
