// The workbench page. Messages go into `state`; once a frame what has changed is drawn.

import { byId, make, tell, write } from "/kit/dom.js";
import { onceAFrame, openLine } from "/kit/page.js";
import { say } from "/kit/texts.js";
import { drawBars, forgetSamples, takeSamples } from "./bars.js";
import { markHoles } from "./picture.js";
import { drawResult } from "./result.js";

const LEADING = ["calibrate", "bar", "seal"];
const WANTED = 40;
const state = { stage: null };
let line = null;
let view = "";
let spoken = "";

function heard(message) {
  if (message.kind === "all") {
    drawBench(message.bench);
    follow(message.stage ?? state.stage);
  } else if (message.kind === "stage") {
    follow(message);
  } else if (message.kind === "holes") {
    takeSamples(message);
  } else if (message.kind === "say") {
    tell(byId("notice"), message.sentence);
  }
  redraw();
}

// What this page is about; the chanter says who it is later.
function drawBench({ port, pupil, simulated }) {
  if (!state.stage?.chanter) write(byId("chanter-sentence"), say("workbench.at", { port }));
  tell(byId("pupil"), pupil && say("workbench.pupil", { pupil }));
  byId("simulated").hidden = !simulated;
}

function follow(stage) {
  if (stage?.job !== state.stage?.job) forgetSamples();
  state.stage = stage;
}

// While the chanter takes its levels, what was seen before stays.
function viewOf(stage) {
  if (LEADING.includes(stage.job)) return "lead";
  const came = stage.reports.length || stage.skew || (stage.last === "seal" && !stage.trouble && stage.sentences.length);
  return came ? "result" : "begin";
}

function draw() {
  const { stage } = state;
  if (!stage) return;
  if (stage.chanter) write(byId("chanter-sentence"), stage.chanter);
  const before = view;
  const focused = document.activeElement;
  view = viewOf(stage);
  document.body.dataset.view = view;
  for (const part of ["begin", "lead", "result"]) byId(part).hidden = part !== view;
  byId("stop").hidden = view !== "lead";
  const giving = stage.job === "give" || stage.job === "undo";
  const sentences = giving ? [say("result.giving")] : stage.sentences;
  for (const box of document.querySelectorAll(".sentences")) drawSentences(box, sentences, stage.trouble);
  write(byId("go"), say(stage.last === "calibrate" ? "begin.again" : "begin.go"));
  for (const button of document.querySelectorAll("#begin button, #actions button")) button.disabled = giving;
  if (view === "lead") drawLead(stage);
  if (view === "result") drawResult(stage, giving, ask);
  // A button that goes, or cannot be clicked any more, must not take the place on the page with it.
  const lost = focused !== document.body && (!focused.isConnected || focused.disabled);
  if (before && (before !== view || lost)) byId({ begin: "begin-title", lead: "instruction", result: "result-title" }[view]).focus();
  if (view !== "lead") announce(sentences.join(" "));
}

const redraw = onceAFrame(draw);

function drawSentences(box, sentences, trouble) {
  const told = sentences.join("\n");
  box.hidden = !told;
  box.classList.toggle("trouble", trouble);
  if (box.dataset.told === told) return;
  box.dataset.told = told;
  box.replaceChildren(...sentences.map((text) => make("p", {}, text)));
}

function drawLead(stage) {
  const { step, job } = stage;
  const words = step ? step.words : say("lead.meeting");
  let count = "";
  if (step?.of) count = say("lead.step", step);
  else if (job === "bar") count = say("lead.counts", { lifts: stage.counts[0], lays: stage.counts[1], wanted: WANTED });
  else if (step && job === "seal") count = say("lead.moved", { count: stage.moved.filter(Boolean).length });
  write(byId("step"), count);
  write(byId("instruction"), words);
  write(byId("hold"), step?.holding ? say("lead.hold") : "");
  byId("enough").hidden = job !== "bar";
  byId("raw").hidden = job === "bar" || !step;
  byId("picture").hidden = !step;
  write(byId("legend"), say(job === "seal" ? "raw.legend_seal" : "raw.legend"));
  if (step) markHoles(step, stage);
  if (step && job !== "bar") drawBars(stage);
  announce(step?.of ? `${count}. ${words} ${step.holding ? say("lead.hold") : ""}` : words);
}

function announce(words) {
  if (words === spoken) return;
  spoken = words;
  write(byId("live"), words);
}

const ask = (kind, more = {}) => line.send({ kind, ...more });

function wire() {
  for (const button of document.querySelectorAll("[data-request]")) {
    // A double click asks for one thing: undone twice is not undone.
    button.addEventListener("click", ({ detail }) => detail < 2 && ask(button.dataset.request));
  }
  byId("stop").addEventListener("click", () => ask("stop"));
}

async function begin() {
  line = await openLine({
    ready: wire,
    heard,
    up: () => tell(byId("notice"), ""),
    down: (refused) => tell(byId("notice"), say(refused ? "page.not_let_in" : "page.lost_line")),
  });
}

begin();
