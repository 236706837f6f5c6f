// A live lesson at the desk: the pupil's fingers as they move, the last changes in words, and what the teacher says.

import { ask } from "/kit/entry.js";
import { byId, make, picture, tell, write } from "/kit/dom.js";
import { handsDrawn, pose } from "/kit/hand.js";
import { Line } from "/kit/live.js";
import { onceAFrame } from "/kit/page.js";
import { NO_ANSWER } from "./sentences.js";

const NOTES = ["low G", "low A", "B", "C", "D", "E", "F", "high G", "high A"];
const EARLIER = 7;

export function startLesson() {
  const box = byId("lesson");
  const { svg, ...parts } = handsDrawn(box.dataset.hand === "right");
  svg.setAttribute("aria-label", "The pupil’s fingers");
  byId("lesson-hand").replaceChildren(svg);
  const known = { lesson: null, holes: null, changes: new Map(), filed: false };
  const redraw = onceAFrame(() => byId("lesson") && show(known, svg, parts));
  new Line({
    heard: (message) => {
      hear(known, message);
      redraw();
    },
    up: () => {},
    down: () => write(byId("lesson-told"), NO_ANSWER),
  });
  startActs(box, known);
}

function hear(known, message) {
  if (message.kind === "all") {
    Object.assign(known, { lesson: message.lesson ?? null, holes: message.holes ?? null });
    known.changes = new Map(message.changes.map((change) => [change.number, change]));
  } else if (message.kind === "change") {
    if (message.gone) known.changes.delete(message.number);
    else known.changes.set(message.number, message);
    while (known.changes.size > EARLIER + 1) known.changes.delete(known.changes.keys().next().value);
  } else if (message.kind in known) {
    known[message.kind] = message;
  }
}

function show(known, svg, parts) {
  const { lesson, holes } = known;
  if (!lesson) return;
  write(byId("lesson-told"), standing(lesson));
  byId("lesson-code").hidden = lesson.state !== "waiting";
  const there = ["open", "away"].includes(lesson.state);
  write(byId("lesson-delay"), there && lesson.late_ms != null ? `What you see is about ${lesson.late_ms} ms old.` : "");
  pose(parts, holes?.covered_mask ?? 0);
  svg.classList.toggle("unsure", holes?.sure === false);
  write(byId("lesson-note"), holes?.note == null ? "–" : NOTES[holes.note]);
  showChanges([...known.changes.values()].reverse());
  byId("lesson-point").disabled = !known.changes.size;
  byId("lesson-acts").replaceChildren(...lesson.acts.map(([text, done, why]) => make("li", {}, make("bdi", {}, text), " ",
    make("span", { class: "small" }, done == null ? "on its way" : done ? "✓ arrived" : `not done: ${why}`))).reverse());
  // The pupil has left: the session is filed at once.
  if (lesson.state === "over" && !lesson.ending && holes && !known.filed) {
    known.filed = true;
    byId("lesson-end").requestSubmit();
  }
}

function standing({ state, ending, who, why, trouble, music }) {
  const name = who || "Your pupil";
  if (trouble && state !== "over") return `${trouble[0].toUpperCase()}${trouble.slice(1)}; what is missed comes when it is back.`;
  if (ending && state !== "over") return "The lesson ends: the last of it is on its way.";
  const told = {
    waiting: "Waiting for your pupil.",
    asked: "Your pupil has joined, and is asked to agree.",
    open: music ? `${name} plays: ${music}.` : `${name} can be heard.`,
    away: `${name} is not heard just now. Nothing is lost: the lesson goes on when the line is back.`,
    over: "The lesson is over.",
  };
  return [told[state], why].filter(Boolean).join(" ");
}

let drawn = null;

function showChanges([last, ...earlier]) {
  byId("lesson-none").hidden = Boolean(last);
  if (last !== drawn) {
    drawn = last;
    write(byId("lesson-sentence"), last ? worded(last) : "");
    byId("lesson-sentence").classList.toggle("unsure", last?.sure === false);
    const strip = picture(last?.strip_svg);
    byId("lesson-strip").replaceChildren(...(strip ? [strip, make("p", { class: "small" }, last.strip_words)] : []));
  }
  const key = JSON.stringify(earlier.map(({ number, sentence, sure }) => [number, sentence, sure]));
  const list = byId("lesson-changes");
  if (list.dataset.key === key) return;
  list.dataset.key = key;
  list.replaceChildren(...earlier.map((one) => make("li", { class: one.sure ? one.verdict === "stray" && "astray" : "unsure" }, worded(one))));
}

const worded = ({ at, sentence, sure }) => `${at} ${sure ? "" : "Not sure yet: "}${sentence}`;

function startActs(box, known) {
  let waits = false;
  const act = async (fields) => {
    if (waits) return false;
    waits = true;
    const refused = await ask(`${box.dataset.address}/act`, { method: "POST", body: new URLSearchParams(fields) })
      .then((answer) => (answer.ok ? "" : answer.text())).catch(() => NO_ANSWER);
    waits = false;
    tell(byId("lesson-refused"), refused);
    return !refused;
  };
  for (const button of box.querySelectorAll("[data-act]")) {
    button.addEventListener("click", () => act({ [button.dataset.act]: button.dataset.value }));
  }
  byId("lesson-point").addEventListener("click", () => {
    const last = [...known.changes.values()].at(-1);
    if (last) act({ point_us: last.at_us, until_us: last.until_us });
  });
  byId("lesson-rung").addEventListener("submit", (event) => {
    event.preventDefault();
    act({ rung: event.target.elements.rung.value });
  });
  // A remark is on the moment at which its first letter was typed.
  let atUs = null;
  const text = byId("lesson-remark").elements.remark;
  text.addEventListener("input", () => {
    atUs = text.value ? atUs ?? known.holes?.t_us ?? 0 : null;
    write(byId("lesson-at"), atUs == null ? "" : `At ${clock(atUs)}`);
  });
  byId("lesson-remark").addEventListener("submit", async (event) => {
    event.preventDefault();
    if (!(await act({ remark: text.value, at_us: Math.max(0, Math.round(atUs ?? 0)) }))) return;
    text.value = "";
    text.dispatchEvent(new Event("input"));
  });
}

const clock = (us) => `${Math.floor(us / 60e6)}:${((us / 1e6) % 60).toFixed(1).padStart(4, "0")}`;
