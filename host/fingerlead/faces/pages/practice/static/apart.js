// A teacher who is far away: questions and answers, and one file each way.

import { ask } from "/kit/entry.js";
import { byId, make, tell, write } from "/kit/dom.js";
import { say } from "/kit/texts.js";
import { hearGiven } from "./hear.js";
import { state } from "./state.js";

let drawn = null;
let question = "";

export function drawApart() {
  const { teacher } = state;
  if (teacher === drawn) return;
  drawn = teacher;
  if (teacher?.apart && byId("apart").hidden) byId("apart").open = teacher.known || teacher.asked.length > 0;
  byId("apart").hidden = !teacher?.apart;
  if (!teacher?.apart) return;
  byId("apart-unknown").hidden = teacher.known;
  byId("apart-words").required = !teacher.known;
  byId("apart-asked").replaceChildren(
    ...teacher.asked.map(({ day, text, answers }) => make("li", {}, dated(day), make("bdi", {}, text),
      answers.length ? make("ul", { class: "plain-list" }, ...answers.map(answered)) : make("span", { class: "soft" }, " ", say("apart.waits")))),
    ...teacher.unasked.map(answered),
    ...teacher.models.map((id) => make("li", {}, say("apart.model"), " ", hearing(id))),
  );
}

const dated = (day) => make("span", { class: "soft" }, say("apart.day", { day }), " ");
const hearing = (id) => make("button", { onclick: () => hearGiven(id) }, say("apart.hear"));
const answered = ({ day, text, heard }) => make("li", {}, dated(day), make("bdi", {}, text), heard ? " " : null, heard ? hearing(heard) : null);

export function startApart() {
  on("apart-ask", "submit", async (form) => {
    // Sent once more because no answer came, it is the same question.
    question ||= [...crypto.getRandomValues(new Uint8Array(6))].map((byte) => byte.toString(16).padStart(2, "0")).join("");
    const body = JSON.stringify({ text: byId("apart-text").value, piece: state.rung?.key ?? "", id: question });
    const answer = await told(await ask("/teacher/ask", { method: "POST", body }));
    if (!answer) return;
    question = "";
    form.reset();
    tell(byId("apart-told"), say("apart.asked"));
  });
  on("apart-take", "submit", async (form) => {
    const words = new URLSearchParams({ words: byId("apart-words").value });
    const answer = await told(await ask(`/teacher/take-in?${words}`, { method: "POST", body: byId("apart-file").files[0] }));
    if (!answer) return;
    form.reset();
    tell(byId("apart-told"), answer.told);
  });
  on("apart-make", "click", async () => {
    const name = new URLSearchParams({ name: byId("apart-name").value });
    const answer = await ask(`/teacher/bundle?${name}`, { method: "POST" });
    if (!answer.ok) return told(answer);
    const file = `for-my-teacher-${answer.headers.get("fingerlead-number")}.fingerlead`;
    keep(await answer.blob(), file);
    tell(byId("apart-told"), say("apart.made", { what: answer.headers.get("fingerlead-words"), file }));
  });
  on("apart-own", "click", async () => {
    const answer = await told(await ask("/teacher/words"));
    if (answer) write(byId("apart-own-words"), answer.words);
  });
}

// What is done with a form or a button, one at a time; without the host there is a sentence.
function on(id, event, work) {
  let waits = false;
  byId(id).addEventListener(event, async (happened) => {
    happened.preventDefault();
    if (waits) return;
    waits = true;
    tell(byId("apart-told"), "");
    await work(byId(id)).catch(() => tell(byId("apart-told"), say("page.lost_line")));
    waits = false;
  });
}

// What the host answered; where it refused, its sentence is shown, and there is nothing.
async function told(answer) {
  const json = (answer.headers.get("content-type") ?? "").startsWith("application/json");
  const found = json ? await answer.json() : { refused: await answer.text() };
  if (!found.refused) return found;
  tell(byId("apart-told"), `${found.refused[0].toUpperCase()}${found.refused.slice(1)}.`);
  return null;
}

function keep(blob, name) {
  const address = URL.createObjectURL(blob);
  const link = make("a", { href: address, download: name });
  link.click();
  setTimeout(() => URL.revokeObjectURL(address), 60_000);
}
