// Beneath the ladder: what seven days have brought, the tunes to choose, and a tune of one's own as a file or as text.

import { ask } from "/kit/entry.js";
import { byId, make, tell, write } from "/kit/dom.js";
import { say } from "/kit/texts.js";
import { state } from "./state.js";

let drawn = "";

export function drawTunes(choose) {
  const key = JSON.stringify([state.tunes, state.week, state.rung?.key]);
  if (key === drawn) return;
  drawn = key;
  byId("week").hidden = !state.week.length;
  byId("week").lastElementChild.replaceChildren(...state.week.map((line) => make("p", {}, line)));
  byId("tunes").replaceChildren(...state.tunes.map((tune) => make("li", {}, make("button", {
    class: "plain", "data-key": tune.key, "aria-current": tune.key === state.rung?.key ? "step" : null, onclick: () => choose(tune.key),
  }, make("b", {}, tune.name), " ", make("span", { class: "soft" }, say(tune.own ? "tunes.yours" : tune.opened ? "tunes.opened" : "tunes.not_yet"))),
  tune.own ? make("button", { class: "take-off", "aria-label": say("tunes.take_off_name", tune), onclick: () => takeOff(tune) }, say("tunes.take_off")) : null)));
  // Back by whatever way: there is nothing to put back any more.
  if (state.tunes.some(({ key }) => key === off?.key)) offer(null);
}

// What was taken off last, and can be put back with one key.
let off = null;
let send = () => {};

function takeOff(tune) {
  send({ kind: "take_off", key: tune.key });
  offer(tune);
  byId("taken-off").lastElementChild.focus();
}

function offer(tune) {
  off = tune;
  byId("taken-off").hidden = !tune;
  write(byId("taken-off").firstElementChild, tune ? say("tunes.taken_off", tune) : "");
}

export function startTunes(taken, sends) {
  send = sends;
  byId("taken-off").lastElementChild.addEventListener("click", () => {
    if (off) send({ kind: "put_back", key: off.key });
    byId("tunes").querySelector("button")?.focus();
  });
  const form = byId("own-tune");
  byId("own-file").addEventListener("change", async ({ currentTarget: { files } }) => {
    if (files[0]) byId("own-abc").value = await files[0].text();
  });
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    tell(byId("own-told"), "");
    try {
      const answer = await ask("/own.abc", { method: "POST", body: byId("own-abc").value });
      const refused = answer.ok ? (await answer.json()).refused : await answer.text();
      if (refused) return tell(byId("own-told"), refused);
      form.reset();
      taken();
    } catch {
      tell(byId("own-told"), say("page.lost_line"));
    }
  });
}
