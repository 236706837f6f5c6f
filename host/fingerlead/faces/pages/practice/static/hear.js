// Playing heard and seen again, or done well as a model: the host's samples through WebAudio, the holes moving along by
// the audio clock.

import { ask } from "/kit/entry.js";
import { say } from "/kit/texts.js";
import { state } from "./state.js";
import { audio, hush } from "./reed.js";

const WORDS = { 0.25: "quarter", 0.1: "tenth", 0.05: "twentieth" };
const SLOWLY = 0.1;
// Of a slow take no more than this before its first finger and after its last.
const BEFORE_US = 120_000;
const AFTER_US = 180_000;
const BETWEEN_MS = 500;

let source = null;
let frame = 0;
let ticket = 0;
let told = () => {};

export const startHearing = (tells) => { told = tells; };

// One take, mended or as it was, or the last phrase.
export function hear({ take, phrase, mended, speed, key }) {
  const words = say(mended ? "change.playing_mended" : "change.playing", { speed: say(`change.${WORDS[speed]}`) });
  return hearAll([{ path: phrase ? "/phrase" : `/take/${take}`, query: mended ? "mended=1" : "", speed, words }], key);
}

// What went wrong: as it was played, then as it should go, both slowly.
export function hearTold({ take, notes, mendable, hair, lead }) {
  const look = { notes, ahead: notes[1] > notes[0], short: true, speed: SLOWLY };
  const played = { ...look, path: `/take/${take}`, query: "", led: lead, caption: "change.as_played" };
  const asked = { ...look, hair, caption: "change.as_asked" };
  Object.assign(asked, mendable ? { path: `/take/${take}`, query: "mended=1" } : { path: "/model", query: `notes=${notes}` });
  return hearAll([played, asked], "told");
}

// How a note alone, or the movement to a note, is done well.
export function hearModel({ from, note, graces, hair }, alone) {
  const query = `notes=${alone == null ? [from, ...(graces ?? []), note] : [alone]}`;
  const look = { path: "/model", query, hair, notes: alone == null && !graces?.length ? [from, note] : null, ahead: note > from };
  const steps = [{ ...look, speed: 1, caption: "change.model" }];
  if (alone == null) steps.push({ ...look, speed: graces?.length ? 0.25 : SLOWLY, short: true, caption: "change.model_slow" });
  return hearAll(steps, "model");
}

// All of the music, its notes lit as they sound.
export const hearMusic = () => hearAll([{ path: "/music", query: "", speed: 1, caption: "tunes.hearing" }], "music");

// What a teacher sent: a passage, or a model take.
export const hearGiven = (id) => hearAll([{ path: `/teacher/heard/${id}`, query: "", speed: 1, caption: "apart.hearing" }], "given");

async function hearAll(steps, key) {
  stopHearing();
  const mine = ++ticket;
  try {
    const context = await audio();
    const made = await Promise.all(steps.map((step) => load(context, step)));
    for (const [i, step] of made.entries()) {
      if (i) await new Promise((done) => setTimeout(done, BETWEEN_MS));
      if (mine !== ticket) return;
      told(step.words ?? say(step.caption));
      await play(context, step, key);
    }
    if (mine === ticket) stopHearing();
  } catch (error) {
    if (mine === ticket) told(error.sentence ?? say("change.cannot"));
  }
}

async function load(context, step) {
  const { path, query, speed } = step;
  const [{ edges, end_us, notes: timed }, sound] = await Promise.all([
    get(`${path}.json?${query}`).then((answer) => answer.json()),
    get(`${path}.wav?${query ? `${query}&` : ""}speed=${speed}`).then((answer) => answer.arrayBuffer())
      .then((bytes) => context.decodeAudioData(bytes)),
  ]);
  const begins = edges[0]?.[0] ?? 0;
  const from_us = step.short && edges.length > 1 ? Math.max(begins, edges[1][0] - BEFORE_US) : begins;
  const to_us = step.short ? Math.min(end_us, edges.at(-1)[0] + AFTER_US) : end_us;
  return { ...step, timed, edges, sound, from_us, offset: (from_us - begins) / 1e6 / speed, length: (to_us - from_us) / 1e6 / speed };
}

async function get(path) {
  const answer = await ask(path);
  if (!answer.ok) throw new Error(`${path}: ${answer.status}`);
  return answer;
}

function play(context, step, key) {
  const { edges, timed, sound, speed, from_us, offset, length, caption, notes, hair, ahead, led } = step;
  source = context.createBufferSource();
  source.buffer = sound;
  const level = context.createGain();
  level.gain.value = state.levelGain ?? 0.1;
  source.connect(level).connect(context.destination);
  const startsAt = context.currentTime + 0.05;
  const ended = new Promise((done) => { source.onended = done; });
  source.start(startsAt, offset, length);
  hush(true);
  let next = 0;
  const follow = () => {
    // What is heard now left the clock a little while ago.
    const heardS = context.currentTime - (context.outputLatency || 0) - startsAt;
    const at_us = from_us + Math.max(0, heardS) * 1e6 * speed;
    while (next + 1 < edges.length && edges[next + 1][0] <= at_us) next += 1;
    const mask = edges[next]?.[1] ?? 0;
    const index = timed?.findLast((one) => one.start_us <= at_us)?.index ?? null;
    state.replay = { key, index, mask, note: state.noteOf?.[mask] ?? null, at_us, caption, notes, hair, ahead, led };
    dispatchEvent(new Event("redraw"));
    frame = requestAnimationFrame(follow);
  };
  cancelAnimationFrame(frame);
  follow();
  return ended;
}

export function stopHearing() {
  ticket += 1;
  cancelAnimationFrame(frame);
  if (source) {
    source.onended = null;
    source.stop();
    source = null;
    hush(false);
  }
  if (state.replay) {
    state.replay = null;
    dispatchEvent(new Event("redraw"));
  }
}
