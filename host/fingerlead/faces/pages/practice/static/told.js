// The one sentence, or the note to play in large letters; and the one key for what comes next.

import { byId, make, tell, write } from "/kit/dom.js";
import { say } from "/kit/texts.js";
import { state } from "./state.js";
import { askedNote, holdNote, liveMask, phase } from "./phase.js";
import { isHeld } from "./count.js";
import { helpFor } from "./hands.js";
import { hearModel, hearTold, stopHearing } from "./hear.js";

const FITS = 6;
let names = null;
let fitted = "";
let resized = true;
addEventListener("resize", () => { resized = true; dispatchEvent(new Event("redraw")); });

export function drawTold() {
  const now = phase();
  const words = sentenceNow(now);
  byId("practice").dataset.phase = state.replay ? "replay" : now;
  const sentence = byId("sentence");
  sentence.hidden = !words;
  write(sentence, words);
  sentence.classList.toggle("counting", state.in_time?.state === "counting");
  if (words && (fitted !== words || resized)) fit(sentence);
  byId("names").hidden = Boolean(words);
  if (!words) drawNames();
}

function sentenceNow(now) {
  const { chanter, tonight, progress, upright } = state;
  if (chanter?.state === "away" && !state.playing) return chanter.sentence;
  if (upright?.sentence) return upright.sentence;
  if (state.going?.held_us && progress?.next) return say("next.going", { name: progress.next.name });
  if (tonight?.item?.rest) return tonight.sentence;
  if (state.in_time?.state === "waiting") return say("in_time.waiting");
  if (state.in_time?.state === "counting") return say("in_time.count", state.in_time);
  if (state.replay) return say(state.replay.caption ?? "change.as_played");
  if (holdNote() != null && now !== "after") return holdWords();
  if (now === "after") return state.told.sentence;
  if (now === "before") {
    const asked = askedNote();
    return asked?.words || (asked ? gracesWords(asked) : "");
  }
  return "";
}

const gracesWords = ({ graces, note }) => (graces?.length
  ? say("hands.graces", { graces: graces.map((one) => state.notes[one]).join(", "), note: state.notes[note] })
  : say("hands.play", { note: state.notes[note] ?? "" }));

// Picking up, sealing, holding, letting go: whatever comes next for a note alone.
function holdWords() {
  const mask = liveMask();
  const wanted = state.chart[holdNote()] ?? 0;
  if (!mask) return say(state.begun ? "first.again" : `first.${state.playing ?? "chanter"}`);
  const open = state.fingers.filter((_, hole) => ((wanted & ~mask) >> hole) & 1);
  if (open.length) return open.length > 2 ? say("first.open_some", { count: open.length }) : say("first.open", { fingers: open.join(", ") });
  return say(isHeld() || !state.lifted ? "first.off" : "first.hold");
}

// Smaller type for a longer sentence, so that it stays whole in its place.
function fit(element) {
  [fitted, resized] = [element.textContent, false];
  const box = element.parentElement;
  for (let step = 0; step < FITS; step++) {
    element.dataset.fit = step;
    if (element.scrollHeight <= box.clientHeight + 1 && element.scrollWidth <= box.clientWidth + 1) return;
  }
}

function drawNames() {
  if (!names) {
    names = { next: make("span", { class: "note next" }), now: make("span", { class: "note now" }), graces: make("p", { class: "graces", hidden: true }), wrong: make("p", { class: "false small", hidden: true }) };
    byId("names").append(
      make("p", { class: "one-name wanted" }, make("span", { class: "name-label" }, say("now.next")), names.next),
      make("p", { class: "one-name" }, make("span", { class: "name-label" }, say("now.now")), names.now), names.graces, names.wrong);
  }
  const lit = state.lit?.note ?? null;
  writeNote(names.next, lit != null && helpFor(lit) >= 1 ? state.notes[lit] : "");
  const { holes } = state;
  writeNote(names.now, !holes ? "–" : holes.covered_mask === 0 || holes.note == null ? say("now.silent") : state.notes[holes.note]);
  tell(names.wrong, holes?.fingering === "false" && holes.covered_mask ? say("now.false", { note: state.notes[holes.note] ?? "" }) : "");
  const graces = (state.rung?.notes?.[state.lit?.index]?.graces ?? []).map((note) => state.notes[note]).join(", ");
  tell(names.graces, graces ? say("now.graces", { graces }) : "");
}

// "low A" as a large A with a small "low" before it; other words stay words.
function writeNote(element, name) {
  if (element.dataset.name === name) return;
  element.dataset.name = name;
  const [, small, large] = /^(?:(low|high) )?([A-G])$/.exec(name ?? "") ?? [];
  if (!large) element.replaceChildren(make("span", { class: "word" }, name || ""));
  else element.replaceChildren(make("span", { class: "octave" }, small ? `${small} ` : ""), large);
}

// --- what comes next

let act = {};
export const startNext = (acts) => {
  act = acts;
  byId("next-button").addEventListener("click", (event) => {
    if (event.detail > 1) return; // the second of a double click is not for what comes after
    const { does } = nextNow();
    event.currentTarget.blur();
    does();
  });
};

function nextNow() {
  if (state.replay) return { words: say("change.stop"), does: stopHearing };
  if (state.in_time?.state) return { words: say("in_time.stop"), does: () => act.inTime(false) };
  if (state.told?.what === "in time") {
    const { next: work } = state.told;
    return work ? { words: say("in_time.work_on", work), does: () => act.rung(work.key) }
      : { words: say("in_time.again"), does: () => act.inTime(true) };
  }
  const { next, passed } = state.progress ?? {};
  if (passed && next) return { words: say("next.rung", { name: next.name }), does: act.next };
  if (state.chanter?.source === "page" && !state.playing) return { words: say("eight.resume"), does: act.resume };
  if (state.rung?.can_go_by && state.metronome?.on) return { words: say("in_time.play"), does: () => act.inTime(true) };
  if (state.told?.take != null) return { words: say("next.told"), does: () => hearTold(state.told) };
  return { words: say("next.model"), does: () => hearModel(askedNote(), holdNote()) };
}

export function drawNext() {
  const button = byId("next-button");
  write(button, nextNow().words);
  const { held_us: held, needed_us: needed } = state.going ?? {};
  const share = held && needed ? `${Math.round((100 * held) / needed)}%` : "0%";
  if (button.style.getPropertyValue("--going") !== share) button.style.setProperty("--going", share);
}
