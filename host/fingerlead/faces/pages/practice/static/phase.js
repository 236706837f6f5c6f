// Which of three things the page is for now, and which notes it is about: before playing, while playing, after a fault.

import { state } from "./state.js";

const RESTS_MS = 2_500;
let offSince = null;
let timer = 0;

// Hands that are off for a while rest: what is asked is shown again.
export function seeHands() {
  const off = !liveMask();
  state.lifted ||= off;
  if (!off) {
    offSince = null;
    clearTimeout(timer);
    timer = 0;
  } else if (offSince == null) {
    offSince = performance.now();
    timer = setTimeout(() => dispatchEvent(new Event("redraw")), RESTS_MS + 50);
  }
}

const resting = () => offSince != null && performance.now() - offSince >= RESTS_MS;

export const liveMask = () => (state.playing ? state.ownMask : state.holes?.covered_mask ?? null);

// A note alone, which is covered and held, and no change.
export function holdNote() {
  const notes = state.rung?.notes ?? [];
  return notes.length && notes.every(({ note, graces }) => note === notes[0].note && !graces?.length) ? notes[0].note : null;
}

export function phase() {
  if (holdNote() != null && liveMask()) return "playing";
  if (state.in_time?.state) return "playing";
  if (state.told?.what) return "after";
  return state.begun && !resting() ? "playing" : "before";
}

// The place in the music of the note that a movement leads to: the lit one, or the second where the first is lit.
export function askedIndex() {
  const { length } = state.rung?.notes ?? [];
  const lit = state.lit?.index ?? 0;
  if (phase() === "before" && lit === 0 && length > 1) return 1;
  return Math.min(lit, Math.max(0, length - 1));
}

export const askedNote = () => state.rung?.notes?.[askedIndex()] ?? null;
