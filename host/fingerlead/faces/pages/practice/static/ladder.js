// The ladder as a list to choose from, what is due today, Tonight, and the summary at the end.

import { byId, make, write } from "/kit/dom.js";
import { say } from "/kit/texts.js";
import { state } from "./state.js";
import { capital } from "./staff.js";

let ladderDrawn = [];
let dueKey = "";

export function drawLadder(choose) {
  if (ladderDrawn[0] === state.ladder && ladderDrawn[1] === state.rung?.key) return;
  ladderDrawn = [state.ladder, state.rung?.key];
  const groups = new Map();
  state.ladder.forEach((rung) => {
    if (!groups.has(rung.group)) groups.set(rung.group, []);
    const here = rung.key === state.rung?.key;
    const told = [say(`ladder.${rung.state}`), here ? say("ladder.here") : ""].filter(Boolean).join(", ");
    groups.get(rung.group).push(make("li", {}, make("button", {
      class: `rung ${rung.state}`, "aria-current": here ? "step" : null, "data-key": rung.key, onclick: () => choose(rung.key),
    }, make("span", { class: "number" }, String(rung.number ?? "")), make("i", { "aria-hidden": "true" }),
    make("b", {}, capital(rung.name)), make("span", { class: "soft" }, told))));
  });
  byId("ladder").replaceChildren(...[...groups].flatMap(([group, rungs]) =>
    [make("h3", {}, capital(group)), make("ul", { class: "rungs" }, ...rungs)]));
}

export function drawDue(choose) {
  const key = JSON.stringify([state.due, state.rung?.key, state.ladder.length]);
  if (key === dueKey) return;
  dueKey = key;
  const name = (rung) => capital(state.ladder.find((one) => one.key === rung)?.name ?? rung);
  const due = state.due.filter((rung) => rung !== state.rung?.key);
  byId("due").hidden = !due.length;
  byId("due").replaceChildren(`${say("music.due")} `,
    ...due.map((rung) => make("button", { class: "plain", onclick: () => choose(rung) }, name(rung))));
}

export function drawTonight() {
  const { tonight } = state;
  const line = byId("tonight");
  line.hidden = byId("leave-tonight").hidden = !tonight;
  if (!tonight) return;
  const minutes = Math.ceil(tonight.minutes_left ?? 0);
  const left = minutes < 1 ? say("tonight.left_none") : minutes === 1 ? say("tonight.left_one") : say("tonight.left", { minutes });
  write(line.lastElementChild, left);
}

let summaryShown = null;

export function drawSummary() {
  const { summary } = state;
  if (summary === summaryShown) return;
  summaryShown = summary;
  if (!summary) return;
  const lines = [
    ...(summary.lines ?? []),
    summary.session_file ? say("summary.kept", { file: summary.session_file }) : "",
    summary.simulated ? say("summary.not_kept") : "",
  ];
  byId("summary-lines").replaceChildren(...lines.filter(Boolean).map((line) => make("p", {}, line)));
}
