// The count that fills: a mark for each good one in a row, and for a note alone the four counts that it is held.

import { byId, make, tell } from "/kit/dom.js";
import { say } from "/kit/texts.js";
import { state } from "./state.js";
import { capital } from "./staff.js";
import { holdNote, liveMask } from "./phase.js";

const COUNTS = 4;
let drawn = "";
let hold = null; // the marks of a note that is held
let heldSince = null;
let frame = 0;
let over = false;

export function drawCount() {
  const { progress } = state;
  if (!progress) return;
  const rows = [progress.out, progress.back].filter(Boolean);
  const alone = holdNote() != null && rows.length > 0;
  const key = JSON.stringify([rows, alone]);
  if (drawn !== key) {
    drawn = key;
    hold = alone ? make("span", { class: "holding", "aria-hidden": "true" }, ...Array.from({ length: COUNTS }, (_, i) => make("i", {}, make("b"), String(i + 1)))) : null;
    byId("counts").replaceChildren(...(hold ? [hold] : []), ...rows.map((row) => make("div", { class: "count-row" },
      make("span", { class: "count-name" }, capital(row.name)),
      make("span", { class: "dots", "aria-hidden": "true" },
        ...Array.from({ length: row.needed }, (_, i) => make("i", { class: i < row.in_a_row ? "on" : "" }))),
      make("span", { class: "count-number" }, say("count.of", row)))));
  }
  if (hold) drawHold();
  tell(byId("count-sentence"), state.told?.what === "fault" ? "" : progress.sentence ?? "");
}

// How far the note has been held: four counts, growing, and full until the hands are off.
function drawHold() {
  const was = over;
  const share = heldShare();
  hold.querySelectorAll("b").forEach((bar, i) => {
    bar.style.transform = `scaleX(${Math.max(0, Math.min(1, share * COUNTS - i))})`;
  });
  cancelAnimationFrame(frame);
  if (over !== was) dispatchEvent(new Event("redraw"));
  if (heldSince != null && !over) frame = requestAnimationFrame(drawHold);
}

// Whether the try is over, while the note is still held.
export const isHeld = () => over;

// As the host counts it, and between two of its words by this page's clock. Whichever is first says that it is over.
function heldShare() {
  const { held_us: held = 0, needed_us: needed = 3_000_000 } = state.held ?? {};
  if (liveMask() !== state.chart[holdNote()]) {
    [heldSince, over, state.heldEnded] = [null, false, false];
    return 0;
  }
  if (held) heldSince = state.heldAt - held / 1_000;
  else if (heldSince != null || state.heldEnded) [heldSince, over] = [null, true];
  const share = heldSince == null ? 0 : ((performance.now() - heldSince) * 1_000) / needed;
  over ||= share >= 1;
  return over ? 1 : share;
}
