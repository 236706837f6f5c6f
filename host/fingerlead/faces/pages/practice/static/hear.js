// A take heard again: the host's samples through WebAudio, the holes moving along by the audio clock.

import { ask } from "/kit/entry.js";
import { say } from "/kit/texts.js";
import { state } from "./state.js";
import { audio, hush } from "./reed.js";

let source = null;
let frame = 0;
let ticket = 0;
let told = () => {};

export const startHearing = (tells) => { told = tells; };

export async function hear({ take, phrase, mended, speed, key }) {
  stopHearing();
  const mine = ++ticket;
  const path = phrase ? "/phrase" : `/take/${take}`;
  const also = mended ? "&mended=1" : "";
  try {
    const context = await audio();
    const [track, sound] = await Promise.all([
      get(`${path}.json?${also.slice(1)}`).then((answer) => answer.json()),
      get(`${path}.wav?speed=${speed}${also}`).then((answer) => answer.arrayBuffer())
        .then((bytes) => context.decodeAudioData(bytes)),
    ]);
    if (mine !== ticket) return;
    play(context, sound, track, speed, key);
    const words = { 0.25: "quarter", 0.1: "tenth", 0.05: "twentieth" }[speed];
    told(say(mended ? "change.playing_mended" : "change.playing", { speed: say(`change.${words}`) }));
  } catch (error) {
    if (mine === ticket) told(error.sentence ?? say("change.cannot"));
  }
}

async function get(path) {
  const answer = await ask(path);
  if (!answer.ok) throw new Error(`${path}: ${answer.status}`);
  return answer;
}

function play(context, sound, track, speed, key) {
  source = context.createBufferSource();
  source.buffer = sound;
  const level = context.createGain();
  level.gain.value = state.levelGain ?? 0.1;
  source.connect(level).connect(context.destination);
  const startsAt = context.currentTime + 0.05;
  source.onended = stopHearing;
  source.start(startsAt);
  hush(true);
  const { edges } = track;
  const begins = edges[0]?.[0] ?? 0;
  let next = 0;
  state.replay = { key, mask: edges[0]?.[1] ?? 0, note: null, at_us: begins };
  const follow = () => {
    // What is heard now left the clock a little while ago.
    const heardS = context.currentTime - (context.outputLatency || 0) - startsAt;
    const at_us = begins + Math.max(0, heardS) * 1e6 * speed;
    while (next + 1 < edges.length && edges[next + 1][0] <= at_us) next += 1;
    const mask = edges[next][1];
    state.replay = { key, mask, note: state.noteOf?.[mask] ?? null, at_us };
    dispatchEvent(new Event("redraw"));
    frame = requestAnimationFrame(follow);
  };
  follow();
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
