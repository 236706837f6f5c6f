// What the page knows: the newest message of each kind. Drawing reads from here, once a frame.

const RECENT = 8;

export const state = {
  joined: false,
  chanter: null, holes: null, rung: null, lit: null, progress: null, told: null, in_time: null, held: null, going: null, tonight: null, summary: null, keeping: null, upright: null,
  sound: null, metronome: null, teacher: null, join: null, lesson: null,
  ladder: [], due: [], tunes: [], week: [], notes: [], fingers: [], chart: [],
  changes: [], chosen: null,
  // Whether anything of this music was played; the rung that was at hand last.
  begun: false, home: null,
  // When the host said last how long a note alone is held; whether it has ended that since.
  heldAt: 0, heldEnded: false,
  handOnTop: "left", order: "derived",
  // Of this page alone: how it plays itself (null, "keys" or "touch"), and did when the session ended; its own holes, and
  // what is being played back.
  playing: null, playedBy: null, ownMask: 0, replay: null,
  // Whether the hands have been off since this music came.
  lifted: true,
  // Asked for and not yet there: shows the choice of chanter although one is heard.
  choosing: false,
  // What is tried before it is played: null, "keys", "touch" or "chanter"; how many fingers the screen was felt to feel.
  checking: null, feels: null,
};

const PARTS = ["chanter", "holes", "rung", "lit", "progress", "told", "in_time", "held", "going", "tonight", "summary", "sound", "metronome", "keeping", "upright", "lesson"];

// Take a message in. Returns whether it was known.
export function take(message) {
  const { kind, ...what } = message;
  if (kind === "all") {
    for (const part of PARTS) if (part in what) state[part] = what[part];
    for (const list of ["ladder", "due", "tunes", "week", "notes", "fingers", "chart"]) state[list] = what[list] ?? state[list];
    state.changes = (what.changes ?? []).slice(-RECENT);
    state.chosen = null;
    state.remarks = what.remarks ?? [];
    state.teacher = what.teacher ?? null;
    state.join = what.join ?? null;
    state.handOnTop = what.hand_on_top === "right" ? "right" : "left";
    state.order = what.order === "taught" ? "taught" : "derived";
    state.heldAt = performance.now();
    state.begun = (state.lit?.index ?? 0) > 0;
    state.home = state.rung?.key ?? state.home;
    state.joined = true;
  } else if (kind === "change") {
    takeChange(what);
  } else if (kind === "tonight") {
    state.tonight = what.item || what.sentence ? what : null;
  } else if (PARTS.includes(kind)) {
    if (kind === "rung") {
      state.lit = null;
      if (what.key !== state.rung?.key) begun();
      state.home = what.key ?? state.home;
    }
    if (kind === "held") Object.assign(state, { heldAt: performance.now(), heldEnded: !what.held_us && (state.heldEnded || state.held?.held_us > 0) });
    state[kind] = what;
    if (kind === "lit") state.begun ||= (what.index ?? 0) > 0;
    if (kind === "progress") state.begun ||= what.out?.in_a_row > 0;
  } else {
    return false;
  }
  return true;
}

// A change; or (again) what one was after all, in its place; one that is gone was none.
function takeChange(what) {
  const known = state.changes.some((one) => one.take === what.take);
  if (!what.again) {
    state.changes = [...state.changes.slice(1 - RECENT), what];
    state.chosen = null;
  } else if (known) {
    state.changes = state.changes.map((one) => (one.take === what.take ? what : one)).filter((one) => !one.gone);
    if (state.chosen?.take === what.take) state.chosen = what.gone ? null : what;
  }
}

// Other music: what was said of the last no longer belongs.
function begun() {
  Object.assign(state, { changes: [], chosen: null, begun: false, lifted: false });
}

// The change that is looked at: the one chosen from the earlier ones, or the last.
export const shownChange = () => state.chosen ?? state.changes.at(-1) ?? null;

// The place in the music that is lit: of a model that is heard, else the note to play.
export const litIndex = () => state.replay?.index ?? state.lit?.index ?? 0;
