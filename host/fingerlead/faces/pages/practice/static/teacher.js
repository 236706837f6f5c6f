// What the teacher gave: rungs and tunes to choose from, and remarks on what was played.

import { byId, make } from "/kit/dom.js";
import { say } from "/kit/texts.js";
import { state } from "./state.js";
import { capital } from "./staff.js";

let drawn = null;

export function drawTeacher(choose) {
  const { teacher } = state;
  if (teacher === drawn) return;
  drawn = teacher;
  const items = teacher?.items ?? [];
  const remarks = teacher?.remarks ?? [];
  byId("teacher").hidden = !items.length && !remarks.length;
  byId("teacher-items").replaceChildren(
    ...items.map(({ key, name, due }) => make("li", {},
      make("button", { onclick: () => choose(key) }, capital(name)),
      due && make("span", { class: "soft" }, " ", say("teacher.due", { due })))),
  );
  byId("teacher-note").hidden = !teacher?.note;
  byId("teacher-note").textContent = teacher?.note ?? "";
  byId("teacher-remarks").replaceChildren(
    ...remarks.map(({ day, at, text }) => make("li", {},
      make("span", { class: "soft" }, say("teacher.at", { day, at })), " ", make("bdi", {}, text))),
  );
}
