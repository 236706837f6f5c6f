// The replay of a session: holes moving and sound, at any speed, from any place; jump from stray to stray.

import { byId, draw, write } from "/kit/dom.js";
import { ask, place as asked } from "/kit/entry.js";
import { NO_ANSWER } from "./sentences.js";

// So much is rendered at a time, as it is heard.
const PIECE_US = 8_000_000;
const LEAD_IN_US = 700_000;

export function startPlayer(player) {
  const source = player.dataset.source;
  const endUs = Number(player.dataset.endUs);
  const place = byId("place");
  const speed = byId("speed");
  const loudness = byId("loudness");
  const told = byId("told");
  const sounding = player.querySelector(".sounding");
  const mended = byId("mended");
  const playButton = byId("play");
  const remarkAt = byId("remark-at");
  const moments = [...document.querySelectorAll(".moment")];

  let edges = [[0, 0]];
  let notes = [];
  let sounds = new Uint8Array(256);
  let context = null;
  let volume = null;
  let tone = null;
  // What plays now: from where, how fast, until where, and when it began on the sound's clock.
  let playing = null;

  function drawHoles() {
    const svg = player.querySelector("svg");
    svg.append(draw("line", { x1: 8, x2: 328, y1: 32, y2: 32 }));
    for (let hole = 0; hole < 8; hole += 1) {
      // The thumb's hole is at the back: it stands apart from the seven in front.
      const cx = hole === 0 ? 24 : 72 + (hole - 1) * 38 + (hole > 3 ? 14 : 0);
      svg.append(draw("circle", { cx, cy: 32, r: hole === 0 ? 11 : 13 }));
    }
  }

  function maskAt(tUs) {
    let low = 0;
    let high = edges.length - 1;
    while (low < high) {
      const middle = (low + high + 1) >> 1;
      if (edges[middle][0] <= tUs) low = middle;
      else high = middle - 1;
    }
    return edges[low][1];
  }

  function show(tUs) {
    const mask = maskAt(tUs);
    player.querySelectorAll("circle").forEach((circle, hole) => circle.classList.toggle("covered", (mask >> hole) & 1));
    sounding.textContent = mask === 0 ? "hands off" : notes[sounds[mask]];
    place.value = tUs;
    place.setAttribute("aria-valuetext", `${(tUs / 1e6).toFixed(1)} seconds`);
    if (remarkAt) remarkAt.value = Math.round(tUs);
    for (const moment of moments) {
      moment.classList.toggle("here", Math.abs(Number(moment.dataset.at) - tUs) < 300_000);
    }
    mended.hidden = !moments.some((moment) => moment.matches(".here[data-mendable]"));
  }

  function stop() {
    if (tone) {
      tone.onended = null;
      tone.stop();
    }
    tone = playing = null;
    playButton.textContent = "Play";
  }

  async function play(fromUs, untilUs = endUs, rate = Number(speed.value), mend = "") {
    stop();
    told.textContent = "";
    if (!context) {
      if (!window.AudioContext) {
        told.textContent = "This browser has no Web Audio: a newer one is needed to hear the session.";
        return;
      }
      context = new AudioContext();
      volume = context.createGain();
      volume.connect(context.destination);
    }
    volume.gain.value = Number(loudness.value);
    await context.resume();
    const mine = { fromUs, rate, untilUs, mend };
    playing = mine;
    playButton.textContent = "Stop";
    const stopUs = Math.min(untilUs, fromUs + PIECE_US * rate);
    const query = `from_us=${Math.round(fromUs)}&until_us=${Math.round(stopUs)}&speed=${rate}${mend}`;
    const answer = await ask(`${source}.wav?${query}`).catch(() => null);
    if (playing !== mine) return;
    if (!answer?.ok) {
      write(told, answer ? await answer.text() : NO_ANSWER);
      stop();
      return;
    }
    const buffer = await context.decodeAudioData(await answer.arrayBuffer());
    if (playing !== mine) return;
    tone = context.createBufferSource();
    tone.buffer = buffer;
    tone.connect(volume);
    tone.onended = () => {
      if (playing !== mine) return;
      if (stopUs < untilUs) play(stopUs, untilUs, rate, mend);
      else {
        show(untilUs);
        stop();
      }
    };
    mine.startedAt = context.currentTime + 0.05;
    tone.start(mine.startedAt);
    requestAnimationFrame(() => follow(mine));
  }

  function follow(mine) {
    if (playing !== mine) return;
    const since = Math.max(0, context.currentTime - (context.outputLatency || 0) - mine.startedAt);
    show(Math.min(mine.untilUs, mine.fromUs + since * 1e6 * mine.rate));
    requestAnimationFrame(() => follow(mine));
  }

  function jump(tUs, mend = "") {
    const fromUs = Math.max(0, tUs - LEAD_IN_US);
    show(fromUs);
    play(fromUs, Math.min(endUs, tUs + LEAD_IN_US), Number(speed.value), mend);
  }

  function stray(direction) {
    const now = Number(place.value);
    const times = moments.filter((moment) => "stray" in moment.dataset).map((moment) => Number(moment.dataset.at));
    const next =
      direction > 0 ? times.find((t) => t > now + LEAD_IN_US + 1000) : times.findLast((t) => t < now + LEAD_IN_US - 1000);
    if (next === undefined) told.textContent = direction > 0 ? "No stray after this." : "No stray before this.";
    else jump(next);
  }

  async function begin() {
    drawHoles();
    // Until the session has come there is nothing to play: a button that does nothing would look broken.
    const waiting = [...player.querySelectorAll("button"), ...document.querySelectorAll(".jump")];
    for (const button of waiting) button.disabled = true;
    const answer = await ask(`${source}.json`).catch(() => null);
    if (!answer?.ok) {
      write(told, answer ? await answer.text() : NO_ANSWER);
      return;
    }
    ({ edges, notes, sounds } = await answer.json());
    playButton.addEventListener("click", () => {
      if (playing) stop();
      // From the end it begins again.
      else play(Number(place.value) < endUs - 1000 ? Number(place.value) : 0);
    });
    place.addEventListener("input", () => {
      stop();
      show(Number(place.value));
    });
    loudness.addEventListener("input", () => volume && (volume.gain.value = Number(loudness.value)));
    byId("before").addEventListener("click", () => stray(-1));
    byId("after").addEventListener("click", () => stray(1));
    mended.addEventListener("click", () => {
      const here = moments.find((moment) => moment.matches(".here[data-mendable]"));
      if (here) jump(Number(here.dataset.at), `&mended=${here.dataset.number}`);
    });
    for (const each of document.querySelectorAll(".jump")) {
      each.addEventListener("click", (event) => {
        event.preventDefault();
        jump(Number(each.dataset.at));
      });
    }
    for (const button of waiting) button.disabled = false;
    const moment = /^t=(\d+)$/.exec(asked);
    show(moment ? Math.min(Number(moment[1]), endUs) : 0);
  }

  begin();
}
