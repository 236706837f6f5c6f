// Where and how it sounds, which hand is on top, and the beat. Every control says what it wants; the host's word sets it.

import { byId, make, tell, write } from "/kit/dom.js";
import { say } from "/kit/texts.js";
import { state } from "./state.js";

const LATE_MS = 20;
const EVERY_MS = 100;
const BUSY = new Set();

let send = () => {};
let fields = null;
let beatKey = "";

export const startSettings = (sends) => { send = sends; };

// A field that the player is in is left alone until then.
function put(field, value) {
  if (value == null || BUSY.has(field) || document.activeElement === field && field.type === "number") return;
  if (field.value !== String(value)) field.value = value;
}

function field(words, control, ...after) {
  const id = `set-${++field.count}`;
  control.id = id;
  return make("div", { class: "field" }, make("label", { for: id }, words), make("span", { class: "control" }, control, ...after));
}
field.count = 0;

const number = (key, from, to, step = 1) => make("input", {
  type: "number", inputmode: "decimal", min: from, max: to, step,
  onchange: (event) => event.target.checkValidity() && event.target.value !== "" && send({ kind: "sound", [key]: Number(event.target.value) }),
});

function choice(onchange) {
  return make("select", { onchange: (event) => onchange(event.target.value) });
}

function fill(select, options) {
  const key = JSON.stringify(options);
  if (select.dataset.key === key) return;
  select.dataset.key = key;
  select.replaceChildren(...options.map(([value, words]) => make("option", { value }, words)));
}

function build() {
  const sound = (key) => (value) => send({ kind: "sound", [key]: value });
  fields = {
    where: choice(sound("where")), device: choice(sound("device")), voice: choice(sound("voice")), scale: choice(sound("scale")),
    level: slider(), levelDb: make("output", { class: "small" }),
    lowA: number("low_a_hz", 220, 490, 0.1), falseCents: number("false_cents", -100, 100), delay: number("delay_ms", 0, 1000),
    drones: make("input", { type: "checkbox", onchange: (event) => send({ kind: "sound", drones: event.target.checked }) }),
    hand: choice((value) => act.hand(value)), order: choice((value) => send({ kind: "order", order: value })), told: make("p", { class: "soft" }), health: make("p", { class: "soft small" }),
  };
  const f = fields;
  fill(f.where, ["host", "page", "nowhere"].map((one) => [one, say(`sound.${one}`)]));
  fill(f.hand, ["left", "right"].map((one) => [one, say(`sound.${one}`)]));
  fill(f.order, ["derived", "taught"].map((one) => [one, say(`sound.${one}`)]));
  fill(f.voice, ["practice", "pipe"].map((one) => [one, say(`sound.${one}`)]));
  f.deviceField = field(say("sound.device"), f.device);
  f.delayField = field(say("sound.delay"), f.delay, say("sound.ms"));
  byId("settings").replaceChildren(
    f.told,
    field(say("sound.level"), f.level, f.levelDb),
    field(say("sound.where"), f.where), f.deviceField,
    field(say("sound.voice"), f.voice), field(say("sound.low_a"), f.lowA, say("sound.hz")),
    field(say("sound.scale"), f.scale), field(say("sound.drones"), f.drones),
    field(say("sound.false_cents"), f.falseCents, say("sound.cents")), f.delayField, f.health,
    field(say("sound.hand"), f.hand), field(say("sound.order"), f.order));
}

let act = { hand: () => {} };
export const onHand = (hand) => { act = { hand }; };

function slider() {
  let timer = 0;
  const tellLevel = (input) => {
    clearTimeout(timer);
    timer = 0;
    send({ kind: "sound", level_db: Number(input.value) });
  };
  return make("input", {
    type: "range", min: -60, max: 0, step: 1,
    oninput: ({ target }) => {
      BUSY.add(target);
      write(fields.levelDb, say("sound.level_db", { db: target.value.replace("-", "−") }));
      timer ||= setTimeout(() => tellLevel(target), EVERY_MS);
    },
    onchange: ({ target }) => {
      tellLevel(target);
      BUSY.delete(target);
    },
  });
}

let lastSound = null;

export function drawSettings() {
  if (!fields) build();
  const { sound } = state;
  put(fields.hand, state.handOnTop);
  put(fields.order, state.order);
  if (!sound || sound === lastSound) return;
  lastSound = sound;
  const f = fields;
  fill(f.scale, (sound.scales ?? [sound.scale]).map((one) => (typeof one === "string" ? [one, one] : [one.name, one.description ?? one.name])));
  fill(f.device, [["", say("sound.usual")], ...(sound.devices ?? []).map((one) =>
    (typeof one === "string" ? [one, one] : [one.spec ?? one.name, one.description ?? one.name]))]);
  put(f.where, sound.where);
  put(f.device, sound.device ?? "");
  put(f.voice, sound.voice);
  put(f.scale, sound.scale);
  put(f.level, Math.round(sound.level_db ?? -20));
  if (!BUSY.has(f.level)) write(f.levelDb, say("sound.level_db", { db: String(Math.round(sound.level_db ?? -20)).replace("-", "−") }));
  put(f.lowA, sound.low_a_hz);
  put(f.falseCents, sound.false_cents);
  put(f.delay, sound.delay_ms == null ? "" : Math.round(sound.delay_ms));
  f.drones.checked = Boolean(sound.drones);
  f.deviceField.hidden = f.delayField.hidden = sound.where !== "host";
  tell(f.told, sound.sentence ?? "");
  const health = [];
  if (sound.where === "host" && sound.delay_ms != null) health.push(say("sound.delay_now", { ms: Math.round(sound.delay_ms) }));
  if (sound.delay_ms > LATE_MS) health.push(say("sound.delay_long"));
  if (sound.under_runs) health.push(say("sound.under_runs", { count: sound.under_runs }));
  tell(f.health, health.join(" "));
}

// The beat stands beside the count once a rung's second pass offers it.
export function drawBeat() {
  const box = byId("beat");
  const { metronome: now } = state;
  box.hidden = !now;
  if (box.hidden) return;
  const key = JSON.stringify([now, state.sound?.where]);
  if (key === beatKey) return;
  beatKey = key;
  if (!box.firstChild) buildBeat(box);
  const b = buildBeat.made;
  write(b.toggle, say(now.on ? "beat.stop" : "beat.start"));
  b.toggle.setAttribute("aria-pressed", String(Boolean(now.on)));
  put(b.bpm, now.bpm);
  put(b.beats, now.beats);
  put(b.parts, now.subdivision);
  b.measure.hidden = state.sound?.where !== "host";
  tell(b.told, now.sentence || (now.loop_ms == null ? "" : say("beat.loop", { ms: Math.round(now.loop_ms) })));
}

function buildBeat(box) {
  const tune = (key, from, to) => make("input", { type: "number", min: from, max: to, inputmode: "numeric",
    onchange: ({ target }) => target.checkValidity() && target.value && send({ kind: "metronome", [key]: Number(target.value) }) });
  const made = buildBeat.made = {
    toggle: make("button", { onclick: () => send({ kind: "metronome", on: !state.metronome.on }) }),
    bpm: tune("bpm", 20, 240), beats: tune("beats", 1, 12), parts: tune("subdivision", 1, 4),
    told: make("p", { class: "soft small", hidden: true }),
    measure: make("details", {}, make("summary", {}, say("beat.measure")), make("p", {}, say("beat.tap_about")),
      make("button", { class: "main tap", onpointerdown: tap, onkeydown: (event) => event.key === "Enter" && !event.repeat && tap(event),
        onclick: (event) => event.preventDefault() }, say("beat.tap"))),
  };
  const step = (by) => () => send({ kind: "metronome", bpm: Math.max(20, Math.min(240, (state.metronome.bpm ?? 60) + by)) });
  box.append(make("h3", {}, say("beat.title")), make("p", { class: "row" }, made.toggle,
    make("button", { "aria-label": say("beat.slower"), onclick: step(-4) }, "−"),
    make("button", { "aria-label": say("beat.faster"), onclick: step(4) }, "+")),
  field(say("beat.bpm"), made.bpm), field(say("beat.beats"), made.beats), field(say("beat.subdivision"), made.parts),
  made.told, made.measure);
}

// At the very moment of the touch: a click would come later.
function tap(event) {
  event.preventDefault();
  send({ kind: "tap" });
}

