// The page's own sound, where the host does not make it: an AudioWorklet that turns masks into the reed's samples.

import { ask } from "/kit/entry.js";
import { say } from "/kit/texts.js";
import { state } from "./state.js";
import { wavesOf } from "./waves.js";

let context = null;
let node = null;
let voiceKey = null;
let lastMask = null;
let hushed = false;
let beatKey = null;
let clicked = () => {};

// Told of each beat, with how long it takes to the ear in µs.
export const onClick = (told) => {
  clicked = told;
};

export const canSound = () => "AudioContext" in window;
export const isSounding = () => Boolean(node) && context.state === "running";

// The audio clock, running; only ever asked for from a press of a button or key.
export async function audio() {
  if (!canSound()) throw needs();
  context ??= new AudioContext({ latencyHint: "interactive" });
  if (context.state !== "running") await context.resume();
  return context;
}

const needs = () => Object.assign(new Error("no audio"), { sentence: say("practice.needs_audio") });

export async function soundOn() {
  const running = await audio();
  if (!running.audioWorklet) throw needs();
  if (!node) {
    await running.audioWorklet.addModule("/static/reed-worklet.js");
    node = new AudioWorkletNode(running, "reed", { numberOfInputs: 0, outputChannelCount: [1] });
    node.connect(running.destination);
    // The host judges by the beat that is heard here.
    node.port.onmessage = () => clicked(Math.min(Math.round(1e6 * (running.outputLatency || running.baseLatency || 0)), 1e6));
    voiceKey = null;
    beatKey = null;
  }
  await fitVoice();
  cover(lastMask);
}

export function soundOff() {
  node?.port.postMessage({ mask: null });
  node?.disconnect();
  node = null;
}

// Straight from a key, or from the host's word: the mask, at once.
export function cover(mask) {
  lastMask = mask;
  node?.port.postMessage({ mask: hushed ? null : mask });
}

// While a take is heard again the reed is quiet, so that one hears the one and not both.
export function hush(isHushed) {
  hushed = isHushed;
  cover(lastMask);
}

// Take the settings over; the voice itself is asked for again only where they change it.
export async function fitVoice() {
  const { sound } = state;
  if (!sound) return;
  state.levelGain = 10 ** ((sound.level_db ?? -20) / 20);
  const key = [sound.voice, sound.low_a_hz, sound.scale, sound.false_cents].join();
  node?.port.postMessage({ level: state.levelGain, drones: Boolean(sound.drones) });
  if (key === voiceKey) return;
  voiceKey = key;
  try {
    const answer = await ask("/voice.json");
    if (!answer.ok) throw new Error(`voice: ${answer.status}`);
    const voice = await answer.json();
    state.noteOf = voice.spectrum_of;
    node?.port.postMessage({ voice: wavesOf(voice, context.sampleRate) });
  } catch (error) {
    voiceKey = null;
    console.warn(String(error));
  }
}

// The beat begins anew only where it has changed.
export function beat(metronome) {
  const { bpm, beats, subdivision, begun } = metronome ?? {};
  const told = metronome?.on ? { bpm, beats, subdivision, begun } : null;
  const key = JSON.stringify(told);
  if (!node || key === beatKey) return;
  beatKey = key;
  node.port.postMessage({ beat: told });
}
