// The notes to play, large, on a staff of our own: there at once, with no engraver. Two before playing, with their
// fingering; while playing the next few, the lit one marked. A pipe's staff: from low G on the second line, stems down.

import { byId, draw } from "/kit/dom.js";
import { say } from "/kit/texts.js";
import { litIndex, state } from "./state.js";
import { askedIndex, holdNote, phase } from "./phase.js";

const WIDTH = 460;
const CLEF = 40; // room for it
const SHOWN = 5; // the last of them begins the next row
const BEAMS = 3;
const yOf = (note) => 30 - 5 * note;

// A treble clef in one stroke: it curls about the line of low G, rises above the staff, and comes down to a hook.
const TREBLE = "M20 32C16 31 16 25.5 20.5 24.5C27 23.5 30 33 25 37C19 42 8.5 38 8.5 28.5C8.5 19 23.5 12 24 1"
  + "C24.3 -6.5 21.5 -12 19.5 -12C16.5 -12 14.5 -4 15.5 2L22.5 45C23.5 51 20 54 16.5 53C13.5 52 13 48 15.5 47";

let last = "";

export function drawScore() {
  const box = byId("score");
  const notes = state.rung?.notes ?? [];
  const index = askedIndex();
  const told = state.replay?.notes ?? (phase() === "after" && state.told.notes.length ? state.told.notes : null);
  const before = state.replay?.index == null && (Boolean(told) || phase() !== "playing" || holdNote() != null);
  const lit = litIndex();
  const note = notes[lit];
  const graces = (note?.graces ?? []).map((one) => state.notes[one]).join(", ");
  const label = [note ? say("music.staff", { note: state.notes[note.note] }) : say("music.staff_done"),
    graces ? say("now.graces", { graces }) : ""].filter(Boolean).join(" ");
  const bar = !state.replay && phase() === "after" ? state.told.bar ?? [] : [];
  if (bar.length) return drawBar(box, bar);
  const key = JSON.stringify([state.rung?.key, notes.length, state.rung?.help, index, before, lit, told, state.notes.length]);
  if (key === last) return;
  last = key;
  box.setAttribute("aria-label", label);
  const from = before ? Math.max(0, index - 1) : Math.floor(lit / (SHOWN - 1)) * (SHOWN - 1);
  const shown = told ? told.map((one) => ({ note: one })) : holdNote() == null ? notes.slice(from, before ? index + 1 : from + SHOWN) : notes.slice(0, 1);
  const step = (WIDTH - CLEF) / (before ? 2 : SHOWN);
  const start = CLEF + (before && shown.length === 1 ? step : step / 2);
  box.replaceChildren(draw("svg", { viewBox: `0 -32 ${WIDTH} 146`, "aria-hidden": "true" },
    draw("path", { class: "lines", d: [0, 10, 20, 30, 40].map((y) => `M4 ${y}H${WIDTH - 4}`).join("") }),
    draw("path", { class: "clef", d: TREBLE }),
    ...shown.map((one, i) => place(one, start + i * step, { lit: !told && from + i === lit, before, help: state.rung.help?.[one.note] ?? 2 }))));
}

// The bar to work on, after a tune went by in time: each note over the beat that it was due with, and where it came.
const MOST = 9;
const REACH = 20; // how far aside a mark goes, at most, for OFF_US
const OFF_US = 200_000;

function drawBar(box, bar) {
  const key = JSON.stringify(bar);
  if (key === last) return;
  last = key;
  const first = Math.max(0, Math.min(bar.findIndex(({ how }) => how !== "with the beat") - MOST + 2, bar.length - MOST));
  const shown = bar.slice(first, first + MOST);
  const step = (WIDTH - CLEF) / shown.length;
  box.setAttribute("aria-label", shown.map(({ note, how }) =>
    say("in_time.bar", { note: state.notes[note], how: say(`in_time.${how.replaceAll(" ", "_")}`) })).join(" "));
  box.replaceChildren(draw("svg", { viewBox: `0 -32 ${WIDTH} 146`, "aria-hidden": "true" },
    draw("path", { class: "lines", d: [0, 10, 20, 30, 40].map((y) => `M4 ${y}H${WIDTH - 4}`).join("") }),
    draw("path", { class: "clef", d: TREBLE }),
    ...shown.map((one, i) => due(one, CLEF + (i + 0.5) * step, Math.min(step, 60)))));
}

function due({ note, how, off_us }, x, room) {
  const wrong = how !== "with the beat";
  const off = Math.max(-1, Math.min(1, (off_us ?? 0) / OFF_US)) * Math.min(REACH, room / 2 - 7);
  const lost = how === "missed" || how === "another";
  return draw("g", { class: wrong ? "note wrong" : "note" },
    ...place({ note }, x, { before: false, help: 2, letterY: 88 }).childNodes,
    draw("path", { class: "beat-line", d: `M${x} 92V114` }),
    lost ? draw("path", { class: "lost", d: `M${x - 7} 96l14 14m0 -14l-14 14` })
      : draw("circle", { class: "came", cx: x + off, cy: 103, r: 6.5 }));
}

function place({ note, graces }, x, { lit, before, help, letterY = before ? 92 : 100 }) {
  const y = yOf(note);
  const name = state.notes[note] ?? "";
  const [, small, letter] = /^(?:(low|high) )?(.)/.exec(name) ?? [];
  const named = before || help >= 1;
  return draw("g", { class: lit ? "note lit" : "note" },
    y <= -10 ? draw("path", { class: "lines", d: `M${x - 12} -10H${x + 12}` }) : null,
    ...graceNotes(graces ?? [], x),
    draw("ellipse", { cx: x, cy: y, rx: 6.6, ry: 4.9, transform: `rotate(-20 ${x} ${y})` }),
    draw("path", { class: "stem", d: `M${x - 6} ${y + 2}V${y + 33}` }),
    lit && !before ? draw("path", { class: "pointer", d: `M${x - 7} -30h14l-7 9z` }) : null,
    named ? draw("text", { class: "letter", x, y: letterY, "text-anchor": "middle" },
      small ? draw("tspan", { class: "octave" }, `${small} `) : null, letter) : null,
    before ? fingering(state.chart[note] ?? 0, x) : null);
}

// Small, stems up, joined by three beams, before the note they lead to.
function graceNotes(graces, x) {
  if (!graces.length) return [];
  const first = x - 14 - 10 * graces.length;
  const top = Math.min(...graces.map(yOf)) - 18;
  const stems = graces.map((note, i) => `M${first + 10 * i + 3} ${yOf(note)}V${top}`).join("");
  const right = first + 10 * (graces.length - 1) + (graces.length > 1 ? 3 : 9);
  const beams = Array.from({ length: BEAMS }, (_, i) => `M${first + 3} ${top + 3.2 * i}H${right}`).join("");
  return [...graces.map((note, i) => draw("ellipse", { cx: first + 10 * i, cy: yOf(note), rx: 3.6, ry: 2.8 })),
    draw("path", { class: "stem", d: stems + beams })];
}

// Eight discs, the thumb's apart, then hand by hand: covered ones full.
const DISCS = [-46, -32, -20, -8, 10, 22, 34, 46];

function fingering(mask, x) {
  return draw("g", { class: "fingering" }, ...DISCS.map((dx, hole) =>
    draw("circle", { class: (mask >> hole) & 1 ? "on" : "", cx: x + dx, cy: 106, r: 4.6 })));
}
