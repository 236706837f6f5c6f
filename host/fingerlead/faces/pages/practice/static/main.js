// The practice page. Messages go into `state`; once a frame what has changed is drawn. Sound alone does not wait.

import { byId, openDialog, tell, write } from "/kit/dom.js";
import { onceAFrame, openLine } from "/kit/page.js";
import { say } from "/kit/texts.js";
import { state, take } from "./state.js";
import { announce, focusLater, focusNow, notice, SHORT_NOTICE_MS } from "./attention.js";
import { drawMusicWords, drawStaff } from "./staff.js";
import { drawScore } from "./score.js";
import { drawHands } from "./hands.js";
import { drawNext, drawTold, startNext } from "./told.js";
import { drawChange } from "./change.js";
import { drawCount } from "./count.js";
import { seeHands } from "./phase.js";
import { hearMusic, startHearing, stopHearing } from "./hear.js";
import { drawTunes, startTunes } from "./tunes.js";
import { drawPlayMode, letGo, startCheck, startKeys } from "./keys.js";
import { drawPads, liftAll, startPads } from "./pads.js";
import { drawStart } from "./start.js";
import { drawTry, startTries, startTry } from "./tries.js";
import { drawDue, drawLadder, drawSummary, drawTonight } from "./ladder.js";
import { drawTeacher } from "./teacher.js";
import { drawApart, startApart } from "./apart.js";
import { drawLesson, startLesson } from "./lesson.js";
import { drawJoin, startJoin } from "./join.js";
import { guardDoubles } from "./doubles.js";
import { drawBeat, drawSettings, onHand, startSettings } from "./settings.js";
import { beat, canSound, cover, fitVoice, isSounding, onClick, soundOff, soundOn } from "./reed.js";

let line = null;

const send = (message) => line?.send(message) ?? false;

const redraw = onceAFrame(() => {
  drawAll();
  focusNow();
});

// --- what comes in

let rungHeard = null;
function heard(message) {
  const before = state.chanter;
  if (!take(message) && message.kind !== "say" && message.kind !== "remind") return;
  switch (message.kind) {
    case "all":
      arrived(before);
      break;
    case "holes":
      if (!state.playing && soundsHere()) cover(message.covered_mask);
      break;
    case "rung":
      if (message.key !== rungHeard) stopHearing();
      rungHeard = message.key;
      break;
    case "told":
    case "upright":
      announce(message.sentence);
      break;
    case "chanter":
      chanterChanged(before);
      break;
    case "tonight":
      announce(message.sentence);
      break;
    case "sound":
    case "metronome":
      soundChanged();
      break;
    case "summary":
      sessionOver();
      announce(say("summary.title"));
      focusLater("summary-title");
      break;
    case "say":
    case "remind":
      notice(message.sentence);
      break;
  }
  redraw();
}

// Whether the line was down since all was told last.
let wasDown = false;
function arrived(before) {
  rungHeard = state.rung?.key ?? null;
  soundChanged();
  const source = state.chanter?.source;
  const lost = Boolean(before?.source) && !wasDown;
  wasDown = false;
  if (state.summary) sessionOver();
  // Another page has taken the chanter elsewhere, or ended: it is not taken back.
  else if (state.playing && source !== "page" && (source || lost)) leavePlaying();
  // The host was started anew.
  else if (state.playing && !source) send({ kind: "listen", to: "page" });
  else if (state.playing) sendOwn();
  if (!state.playing && soundsHere()) cover(state.chanter?.state === "here" ? state.holes?.covered_mask ?? null : null);
  resumePlaying();
  const [remark] = state.remarks ?? [];
  if (remark) notice(remark);
}

function chanterChanged(before) {
  const { chanter } = state;
  if (chanter.state !== before?.state) announce(chanter.sentence);
  if (chanter.state !== "here" && !state.playing) {
    state.holes = null;
    cover(null);
  }
  // Also where the end came before anything was played, and so has no summary.
  if (chanter.source !== "page" && (chanter.source || before?.source) && state.playing) leavePlaying();
  if (state.checking === "chanter" && (chanter.state === "refused" || chanter.source === "page")) leavePlaying();
  if (chanter.source === "page" && before?.source !== "page" && state.playing) sendOwn();
  resumePlaying();
}

const soundsHere = () => state.sound?.where === "page";

function soundChanged() {
  if (!soundsHere() && isSounding()) soundOff();
  fitVoice();
  beat(soundsHere() ? state.metronome : null);
}

// --- what is done here

async function startSound() {
  try {
    await soundOn();
    beat(state.metronome);
    if (state.playing) cover(state.ownMask);
  } catch (error) {
    notice(error.sentence ?? say("practice.needs_audio"));
  }
  redraw();
}

function choose(to) {
  state.choosing = false;
  state.summary = state.playedBy = resumed = null;
  notice("");
  if (soundsHere()) startSound();
  if (to === "keys" || to === "touch") {
    send({ kind: "listen", to: "page" });
    check(to);
  } else {
    leavePlaying();
    send({ kind: "listen", to });
    if (to === "sim") focusLater("rung-name");
    else check("chanter");
  }
  redraw();
}

// A short try of what was chosen.
function check(what) {
  state.checking = what;
  if (what === "keys") startCheck();
  else startTry();
  focusLater(what === "keys" ? "keys-title" : "try-title");
}

function tried() {
  const { checking } = state;
  state.checking = null;
  if (checking === "touch") play("touch");
  else focusLater("rung-name");
  redraw();
}

let lastPlaying = "keys";
function play(how) {
  letGo();
  lastPlaying = how;
  state.checking = null;
  state.playing = how;
  state.ownMask = 0;
  if (state.chanter?.source === "page") sendOwn();
  focusLater(how === "keys" ? "chanter" : "rung-name");
  redraw();
}

// What one's own fingers cover, where nothing yet too: a note alone begins with the hands off.
const sendOwn = () => send({ kind: "holes", covered_mask: state.ownMask });

function ownCover(mask) {
  if (mask === state.ownMask) return;
  state.ownMask = mask;
  if (state.replay) stopHearing();
  if (soundsHere()) cover(mask);
  sendOwn();
  redraw();
}

function leavePlaying() {
  if (state.playing || state.checking) {
    liftAll();
    letGo();
    if (state.ownMask) ownCover(0);
    state.playing = null;
    state.checking = null;
    redraw();
  }
}

// Play on was asked for, and the host listens to the page again: what was played by before is taken up.
let resumed = null;
function resumePlaying() {
  const how = resumed;
  if (!how || state.summary || state.chanter?.source !== "page") return;
  resumed = null;
  play(how);
}

function sessionOver() {
  state.playedBy = state.playing ?? state.playedBy;
  leavePlaying();
}

function leaveKeys() {
  const wasChecking = state.checking;
  leavePlaying();
  if (wasChecking) {
    state.choosing = true;
    focusLater("start-title");
  } else {
    focusLater("next-button");
  }
}

function chooseAgain() {
  closeAll();
  leavePlaying();
  state.choosing = true;
  focusLater("start-title");
  redraw();
}

// The beat is heard here only once the sound is on, which asks for a press of a key: this one.
function inTime(on) {
  closeAll();
  if (on && soundsHere()) startSound();
  send({ kind: "in_time", on });
  focusLater("rung-name");
}

function chooseRung(key) {
  closeAll();
  state.tonight = null;
  send({ kind: "rung", key });
  focusLater("rung-name");
  redraw();
}

const closeAll = () => document.querySelectorAll("dialog[open]").forEach((dialog) => dialog.close());

// --- drawing

function view() {
  if (!state.joined) return "none";
  if (state.summary) return "summary";
  if (state.checking) return state.checking === "keys" ? "keys-check" : "try";
  const { chanter } = state;
  const none = !chanter || chanter.state === "none" || chanter.state === "refused" || !chanter.source;
  return state.choosing || (none && !state.playing) ? "start" : "practice";
}

function drawAll() {
  const shown = view();
  for (const id of ["start", "keys-check", "try", "summary", "practice"]) byId(id).hidden = id !== shown;
  document.body.dataset.view = shown;
  const practising = shown === "practice";
  byId("more-button").hidden = !practising;
  byId("settings-button").hidden = !state.joined || practising;
  drawSoundButton();
  const quiet = shown === "start" || shown === "none";
  // What stands in large letters below is not said up here as well.
  const { name = "", sentence = "", state: place } = state.chanter ?? {};
  const saidBelow = practising && place === "away" && !state.playing;
  write(byId("chanter-sentence"), quiet ? "" : (saidBelow ? name : sentence || name));
  write(byId("chanter-name"), quiet ? "" : state.chanter?.name ?? "");
  if (shown === "start") {
    drawStart(choose);
    if (state.chanter?.state === "refused") tell(byId("notice"), state.chanter.sentence);
  }
  drawKeeping();
  drawLesson();
  drawSettings();
  drawLadder(chooseRung);
  drawTunes(chooseRung);
  drawJoin();
  if (shown === "summary") drawSummary();
  if (shown === "try") drawTry();
  if (!practising) return;
  seeHands();
  drawMusicWords();
  drawScore();
  drawHands();
  drawPads();
  drawTold();
  drawCount();
  drawNext();
  drawTonight();
  if (byId("more-dialog").open) drawMore();
}

// All that is behind one key, drawn while it is looked at.
function drawMore() {
  const { progress, rung } = state;
  drawStaff();
  drawPlayMode();
  drawUncertainty();
  drawChange();
  drawDue(chooseRung);
  drawTeacher(chooseRung);
  drawApart();
  drawBeat();
  byId("in-time-button").hidden = !rung?.can_go_by;
  byId("go-on-button").hidden = !progress?.next || progress.passed || !rung?.key;
  write(byId("count-pass"), progress?.again && !progress.passed ? say("count.again", { needed: progress.out?.needed ?? 0 })
    : progress?.unclean ? say("count.unclean") : "");
  write(byId("passes"), rung?.passed_text ?? "");
}

// What cannot be saved is said for as long as that lasts.
function drawKeeping() {
  const line = byId("keeping");
  const { sentence = "", advice = "", where = "" } = state.keeping ?? {};
  line.hidden = !sentence;
  [sentence, advice, where].forEach((text, i) => write(line.children[i], text));
}

function drawSoundButton() {
  const button = byId("sound-button");
  button.hidden = !soundsHere() || !state.joined;
  const on = isSounding();
  write(button, say(on ? "sound.turn_off" : "sound.turn_on"));
  button.classList.toggle("main", !on);
}

function drawUncertainty() {
  const { uncertainty_us: us, source } = state.chanter ?? {};
  tell(byId("uncertainty"), us && source ? say("now.uncertainty", { ms: Math.round(us / 1000) }) : "");
}

// Enter is the one key for what comes next, wherever nothing else waits for it.
function nextByKey(event) {
  const free = event.target === document.body || event.target.matches?.("#chanter, h1, main");
  if (event.key !== "Enter" || event.repeat || !free || document.querySelector("dialog[open]") || view() !== "practice") return;
  event.preventDefault();
  byId("next-button").click();
}

// --- beginning

function wire() {
  guardDoubles(view);
  byId("sound-button").addEventListener("click", () => {
    if (isSounding()) soundOff();
    else startSound();
    redraw();
  });
  byId("more-button").addEventListener("click", () => {
    openDialog(byId("more-dialog"));
    redraw();
  });
  byId("to-start").addEventListener("click", chooseAgain);
  byId("ladder-button").addEventListener("click", () => {
    // What has been passed meanwhile comes with the snapshot.
    send({ kind: "all" });
    openDialog(byId("ladder-dialog"));
  });
  for (const id of ["settings-button", "more-settings"]) {
    byId(id).addEventListener("click", () => openDialog(byId("settings-dialog")));
  }
  byId("leave-tonight").addEventListener("click", () => chooseRung(state.home ?? state.progress?.next?.key ?? state.ladder[0]?.key));
  byId("go-on-button").addEventListener("click", () => {
    closeAll();
    send({ kind: "go_on", key: state.rung?.key ?? "" });
  });
  byId("in-time-button").addEventListener("click", () => inTime(true));
  for (const kind of ["tonight", "finish", "restart"]) {
    byId(`${kind}-button`).addEventListener("click", () => {
      closeAll();
      send({ kind });
    });
  }
  // The summary goes when the host listens again; who played by this page takes the same up again.
  byId("summary-again").addEventListener("click", (event) => {
    send({ kind: "play_on" });
    event.currentTarget.blur();
    resumed = state.playedBy;
    focusLater("rung-name");
  });
  byId("play-mode-button").addEventListener("click", (event) => {
    // The button's own Enter must not count as a key of the chanter.
    event.currentTarget.blur();
    closeAll();
    if (state.playing === "keys") leaveKeys();
    else play("keys");
  });
  byId("play-mode-check").addEventListener("click", () => {
    closeAll();
    leavePlaying();
    check("keys");
    redraw();
  });
  for (const dialog of document.querySelectorAll("dialog")) {
    dialog.querySelector(".close").addEventListener("click", () => dialog.close());
    dialog.addEventListener("click", (event) => event.target === dialog && dialog.close());
  }
  startKeys({ cover: ownCover, leave: leaveKeys, play, holds: (count) => send({ kind: "keyboard", holds: count }) });
  startPads(ownCover);
  startTries({ go: tried, keys: () => choose("keys"), back: chooseAgain });
  onClick((inUs) => send({ kind: "click", in_us: inUs }));
  startSettings(send);
  startHearing(announce);
  startTunes(closeAll, send);
  startApart();
  startLesson();
  startJoin();
  byId("hear-music").addEventListener("click", () => {
    closeAll();
    hearMusic();
  });
  startNext({ resume: () => play(lastPlaying), next: () => send({ kind: "next", key: state.rung?.key ?? "" }), rung: chooseRung, inTime });
  document.addEventListener("keydown", nextByKey);
  onHand((hand) => {
    leavePlaying();
    state.handOnTop = hand;
    send({ kind: "hand", on_top: hand });
    redraw();
  });
  addEventListener("redraw", redraw);
  if (!canSound()) notice(say("practice.needs_audio"));
}

async function begin() {
  line = await openLine({
    ready: wire,
    heard,
    up: () => {
      if (state.joined) notice(say("practice.back_line"), SHORT_NOTICE_MS);
    },
    down: (refused) => {
      wasDown = true;
      if (!state.playing) cover(null);
      notice(say(refused ? "page.not_let_in" : "page.lost_line"));
      redraw();
    },
  });
  if (!line) write(byId("chanter-sentence"), "");
}

begin();
