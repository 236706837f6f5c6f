// A live lesson: joined by a code, agreed to by a click; who is listening is shown as long as they are.

import { ask } from "/kit/entry.js";
import { byId, make, openDialog, tell, write } from "/kit/dom.js";
import { say } from "/kit/texts.js";
import { state } from "./state.js";

// What is said of a lesson that is on.
const ON = { agreed: "lesson.agreed", listens: "lesson.listens", away: "lesson.away", leaving: "lesson.leaving" };
let drawn = null;

export function drawLesson() {
  const { lesson } = state;
  if (!lesson || lesson === drawn) return;
  const before = drawn?.state;
  drawn = lesson;
  const on = lesson.state in ON;
  const who = lesson.named ? lesson.who : say("lesson.your_teacher");
  byId("lesson-bar").hidden = !on;
  write(byId("lesson-who"), on ? say(ON[lesson.state], { who }) : "");
  write(byId("lesson-act"), on ? lesson.acts.at(-1) ?? "" : "");
  byId("lesson-earlier").replaceChildren(...[...lesson.acts].reverse().map((text) => make("li", {}, make("bdi", {}, text))));
  byId("lesson-more").hidden = !lesson.acts.length;
  byId("lesson-leave").disabled = lesson.state === "leaving";
  byId("lesson-join").hidden = lesson.state !== "none";
  byId("lesson-waits").hidden = lesson.state !== "joining";
  tell(byId("lesson-told"), lesson.sentence);
  const dialog = byId("lesson-dialog");
  if (lesson.state === "asks") {
    write(byId("lesson-asks"), say("lesson.asks", { who }));
    if (before !== "asks") openDialog(dialog);
  } else if (before === "asks") dialog.close();
  // What ends a lesson is told where the player looks.
  if ((before ?? "") in ON && lesson.state === "none") tell(byId("notice"), lesson.sentence);
}

export function startLesson() {
  byId("lesson-join").addEventListener("submit", async (event) => {
    event.preventDefault();
    const ticket = await byId("lesson-ticket").files[0]?.text();
    await send("join", { code: byId("lesson-code").value, ticket: ticket ?? "" });
  });
  byId("lesson-agree").addEventListener("submit", (event) => {
    event.preventDefault();
    for (const dialog of document.querySelectorAll("dialog[open]")) dialog.close();
    send("agree", { name: byId("lesson-name").value });
  });
  byId("lesson-dialog").addEventListener("cancel", () => send("leave"));
  for (const id of ["lesson-leave", "lesson-refuse", "lesson-stop"]) byId(id).addEventListener("click", () => send("leave"));
}

let waits = false;

async function send(what, body = {}) {
  if (waits) return;
  waits = true;
  tell(byId("lesson-told"), what === "join" ? say("lesson.goes") : "");
  try {
    const answer = await ask(`/lesson/${what}`, { method: "POST", body: JSON.stringify(body) });
    const json = (answer.headers.get("content-type") ?? "").startsWith("application/json");
    const { refused } = json ? await answer.json() : { refused: await answer.text() };
    tell(byId("lesson-told"), refused ? `${refused[0].toUpperCase()}${refused.slice(1)}.` : state.lesson?.sentence ?? "");
  } catch {
    tell(byId("lesson-told"), say("page.lost_line"));
  }
  waits = false;
}
