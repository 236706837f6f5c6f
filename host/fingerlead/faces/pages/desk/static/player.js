// The replay of a session: fingers moving and sound, at any speed, from any place; from moment to moment, each as played or
// mended, once or round and round, with its finger strip beside the hands.

import { byId, draw, picture, write } from "/kit/dom.js";
import { ask, place as asked } from "/kit/entry.js";
import { handsDrawn, pose } from "/kit/hand.js";
import { beginRemark, clock, startRemark } from "./remark.js";
import { NO_ANSWER } from "./sentences.js";
import { startKeys } from "./shortcuts.js";

// So much sound is rendered at a time, as it is heard; a moment is one piece.
const PIECE_US = 8_000_000;
const LONGEST_US = 59_000_000;
const LEAD_IN_US = 700_000;
const NEAR_US = 300_000;
const MOST_BUFFERS = 8;
const START_S = 0.02;
const KEPT = "fingerlead-replay";

function maskIn(edges, tUs) {
  let low = 0;
  let high = edges.length - 1;
  while (low < high) {
    const middle = (low + high + 1) >> 1;
    if (edges[middle][0] <= tUs) low = middle;
    else high = middle - 1;
  }
  return edges[low][1];
}

export function startPlayer(player) {
  const { source, scaleUs } = player.dataset;
  const endUs = Number(player.dataset.endUs);
  const place = byId("place");
  const speed = byId("speed");
  const loudness = byId("loudness");
  const told = byId("told");
  const sounding = player.querySelector(".sounding");
  const hands = handsDrawn(player.dataset.hand === "right");
  const buttons = Object.fromEntries(["play", "before", "after", "mended", "loop"].map((id) => [id, byId(id)]));
  const jumps = [...document.querySelectorAll(".jump")];
  const moments = new Map(jumps.filter((jump) => jump.dataset.what).map((jump) => [jump.dataset.what, momentOf(jump)]));

  let edges = [[0, 0]];
  let notes = [];
  let sounds = new Uint8Array(256);
  let context = null;
  let volume = null;
  let tone = null;
  // What plays now: from where, until where, how fast, which moment and in which form, and when it began on the sound's clock.
  let playing = null;
  // The moment whose strip is shown; and the one that was heard last, until the replay leaves it.
  let selected = null;
  let heard = null;
  let mended = false;
  let playhead = null;
  const strips = new Map();
  const buffers = new Map();

  function momentOf(jump) {
    const { at, until, what } = jump.dataset;
    return { what, atUs: Number(at), untilUs: Number(until ?? at) };
  }

  function maskAt(tUs) {
    const [firstUs, lastUs, instead] = (playing?.mended && playing.moment.mended) || [];
    if (tUs < firstUs || tUs >= lastUs || !instead) return maskIn(edges, tUs);
    return instead[0][0] <= tUs ? maskIn(instead, tUs) : maskIn(edges, firstUs - 1);
  }

  function show(tUs) {
    const mask = maskAt(tUs);
    pose(hands, mask);
    write(sounding, mask === 0 ? "hands off" : notes[sounds[mask]]);
    place.value = tUs;
    place.setAttribute("aria-valuetext", `${(tUs / 1e6).toFixed(1)} seconds`);
    write(byId("clock"), clock(tUs));
    movePlayhead(tUs);
  }

  function movePlayhead(tUs) {
    if (!playhead) return;
    const { line, beginUs, endUs: stripEndUs, left, right } = playhead;
    const inside = tUs >= beginUs && tUs <= stripEndUs;
    line.setAttribute("visibility", inside ? "visible" : "hidden");
    if (inside) line.setAttribute("transform", `translate(${left + ((right - left) * (tUs - beginUs)) / (stripEndUs - beginUs)})`);
  }

  // Show a moment's strip and its words; `byHand`, they are read out as well.
  async function select(moment, byHand = false) {
    if (moment === selected) return;
    selected = moment;
    mended = false;
    for (const jump of jumps) jump.setAttribute("aria-current", String(jump.dataset.what === moment.what));
    mark();
    if (!strips.has(moment.what)) strips.set(moment.what, askOf(moment));
    const found = await strips.get(moment.what);
    if (!found) strips.delete(moment.what);
    if (selected !== moment || !found) return;
    moment.mended = found.mended;
    const svg = picture(found.svg);
    byId("picture").replaceChildren(...(svg ? [svg] : []));
    playhead = svg && found.lanes ? { ...found.lanes, line: draw("path", { class: "playhead", d: found.lanes.path }) } : null;
    if (playhead) svg.append(playhead.line);
    const name = document.createElement("b");
    name.textContent = `${found.name}, at ${found.at}.`;
    byId("about").replaceChildren(name, ` ${found.words}`);
    if (byHand) write(byId("live"), byId("about").textContent);
    mark();
  }

  async function askOf(moment) {
    const answer = await ask(`${source}/moment.json?${moment.what}&scale_us=${scaleUs}`).catch(() => null);
    if (answer?.ok) return answer.json();
    write(told, answer ? await answer.text() : NO_ANSWER);
    return null;
  }

  function mark() {
    write(buttons.play, playing ? "Stop" : "Play");
    buttons.mended.disabled = !selected || selected.mended === null;
    buttons.mended.setAttribute("aria-pressed", String(mended));
  }

  function stop() {
    if (tone) {
      tone.onended = null;
      tone.stop();
    }
    tone = playing = null;
    mark();
  }

  async function play(fromUs, untilUs = endUs, moment = null) {
    stop();
    heard = moment;
    write(told, "");
    if (!context) {
      if (!window.AudioContext) {
        write(told, "This browser has no Web Audio: a newer one is needed to hear the session.");
        return;
      }
      context = new AudioContext();
      volume = context.createGain();
      volume.connect(context.destination);
    }
    volume.gain.value = Number(loudness.value);
    const rate = Number(speed.value);
    const mine = { fromUs, untilUs, rate, moment, mended: moment !== null && mended };
    playing = mine;
    mark();
    const end = (begin) => Math.min(untilUs, begin + (moment ? LONGEST_US : PIECE_US) * rate);
    const stopUs = end(fromUs);
    const mend = mine.mended ? `&mended=${moment.what.split("=")[1]}` : "";
    const piece = (begin) => sound(`from_us=${Math.round(begin)}&until_us=${Math.round(end(begin))}&speed=${rate}${mend}`);
    const buffer = await piece(fromUs);
    if (playing !== mine) return;
    if (!buffer) {
      mended = false;
      stop();
      return;
    }
    tone = context.createBufferSource();
    tone.buffer = buffer;
    tone.loop = Boolean(moment) && looping();
    tone.connect(volume);
    tone.onended = () => {
      if (playing !== mine) return;
      if (!moment && stopUs < untilUs) play(stopUs, untilUs);
      else {
        show(stopUs);
        stop();
      }
    };
    mine.startedAt = context.currentTime + START_S;
    mine.seconds = buffer.duration;
    tone.start(mine.startedAt);
    requestAnimationFrame(() => follow(mine));
    // What comes after this piece is there when it ends.
    if (!moment && stopUs < untilUs) piece(stopUs);
  }

  // A stretch as it sounds, or nothing, and then it is told why. What was heard last is not asked for again.
  async function sound(query) {
    await context.resume();
    if (!buffers.has(query)) {
      const answer = await ask(`${source}.wav?${query}`).catch(() => null);
      if (!answer?.ok) {
        write(told, answer ? await answer.text() : NO_ANSWER);
        return null;
      }
      buffers.set(query, await context.decodeAudioData(await answer.arrayBuffer()));
      if (buffers.size > MOST_BUFFERS) buffers.delete(buffers.keys().next().value);
    }
    return buffers.get(query);
  }

  function follow(mine) {
    if (playing !== mine) return;
    const since = Math.max(0, context.currentTime - (context.outputLatency || 0) - mine.startedAt);
    const tUs = Math.min(mine.untilUs, mine.fromUs + (tone.loop ? since % mine.seconds : since) * 1e6 * mine.rate);
    show(tUs);
    if (!mine.moment) {
      const here = momentAt(tUs);
      if (here) select(here);
    }
    requestAnimationFrame(() => follow(mine));
  }

  const momentAt = (tUs) => [...moments.values()].find(({ atUs, untilUs }) => tUs > atUs - NEAR_US && tUs < untilUs + NEAR_US);

  const looping = () => buttons.loop.getAttribute("aria-pressed") === "true";

  function hear(moment) {
    const fromUs = Math.max(0, moment.atUs - LEAD_IN_US);
    if (moment.what) select(moment, true);
    show(fromUs);
    play(fromUs, Math.min(endUs, moment.untilUs + LEAD_IN_US), moment.what ? moment : null);
  }

  function playOrStop() {
    if (playing) stop();
    else if (looping() && selected) hear(selected);
    // From the end it begins again.
    else play(Number(place.value) < endUs - 1000 ? Number(place.value) : 0);
  }

  // The moments that are seen, as they stand on the page.
  function step(direction) {
    const seen = jumps.filter((jump) => jump.dataset.what && !jump.closest("details:not([open])"));
    const now = seen.findIndex((jump) => jump.dataset.what === selected?.what);
    const next = now < 0 ? seen.at(direction > 0 ? 0 : -1) : seen[now + direction];
    if (!next) write(told, seen.length ? `No moment ${direction > 0 ? "after" : "before"} this.` : "No moment is listed here.");
    else {
      hear(moments.get(next.dataset.what));
      next.scrollIntoView({ block: "nearest" });
    }
  }

  function otherForm() {
    if (!selected) write(told, "Choose a moment first.");
    else if (selected.mended === null) write(told, "Which finger to mend cannot be told from this one.");
    else {
      mended = !mended;
      hear(selected);
    }
  }

  function loop() {
    buttons.loop.setAttribute("aria-pressed", String(!looping()));
    if (playing?.moment && tone) tone.loop = looping();
    else if (looping() && selected) hear(selected);
    else if (looping()) write(told, "Choose a moment to be looped.");
  }

  function goAt(rate) {
    speed.value = rate;
    if (playing?.moment) hear(playing.moment);
    else if (playing) play(Number(place.value));
  }

  const keys = {
    " ": playOrStop,
    arrowleft: () => step(-1),
    arrowright: () => step(1),
    m: otherForm,
    l: loop,
    1: () => goAt(1),
    2: () => goAt(0.5),
    4: () => goAt(0.25),
    r: beginRemark,
  };

  function listen() {
    buttons.play.addEventListener("click", playOrStop);
    buttons.before.addEventListener("click", () => step(-1));
    buttons.after.addEventListener("click", () => step(1));
    buttons.mended.addEventListener("click", otherForm);
    buttons.loop.addEventListener("click", loop);
    byId("remark-on")?.addEventListener("click", beginRemark);
    speed.addEventListener("change", () => goAt(speed.value));
    place.addEventListener("input", () => {
      stop();
      heard = null;
      show(Number(place.value));
    });
    loudness.addEventListener("input", () => volume && (volume.gain.value = Number(loudness.value)));
    for (const jump of jumps) {
      jump.addEventListener("click", () => {
        const moment = moments.get(jump.dataset.what) ?? momentOf(jump);
        if (playing && playing.moment === moment) stop();
        else hear(moment);
      });
    }
    startKeys(byId("keys"), (key) => {
      keys[key]?.();
      return key in keys;
    });
    startRemark(() => (heard ? heard.atUs : Number(place.value)), endUs);
    // Nothing that has the keyboard lies under the player.
    new ResizeObserver(() => {
      const sticks = getComputedStyle(player).position === "sticky";
      document.documentElement.style.scrollPaddingTop = sticks ? `${player.offsetHeight + 8}px` : "";
    }).observe(player);
    addEventListener("pagehide", () => {
      const kept = { source, place: place.value, what: selected?.what, speed: speed.value, loudness: loudness.value };
      sessionStorage.setItem(KEPT, JSON.stringify(kept));
    });
  }

  // A page that is loaded again, as after a remark, stands where it stood.
  function restore() {
    const kept = JSON.parse(sessionStorage.getItem(KEPT) ?? "null");
    if (kept) loudness.value = kept.loudness;
    const linked = /^t=(\d+)$/.exec(asked);
    if (linked) {
      const tUs = Math.min(Number(linked[1]), endUs);
      const moment = momentAt(tUs);
      if (moment) select(moment);
      show(moment ? Math.max(0, moment.atUs - LEAD_IN_US) : tUs);
    } else if (kept?.source === source) {
      speed.value = kept.speed;
      if (moments.has(kept.what)) select(moments.get(kept.what));
      show(Number(kept.place));
    } else show(0);
  }

  async function begin() {
    hands.svg.setAttribute("aria-label", "The hands as they are now: the thumb at the top, a finger that is off drawn back");
  player.querySelector(".hand-now").append(hands.svg);
    // Until the session has come there is nothing to play: a button that does nothing would look broken.
    const waiting = [...player.querySelectorAll("button"), ...jumps].filter((button) => !button.disabled);
    for (const button of waiting) button.disabled = true;
    const answer = await ask(`${source}.json`).catch(() => null);
    if (!answer?.ok) {
      write(told, answer ? await answer.text() : NO_ANSWER);
      return;
    }
    ({ edges, notes, sounds } = await answer.json());
    for (const button of waiting) button.disabled = false;
    listen();
    restore();
  }

  begin();
}
