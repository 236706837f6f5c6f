// Beneath the ladder: what seven days have brought, the tunes to choose, and a tune of one's own as a file or as text.

import { ask } from "/kit/entry.js";
import { byId, make, tell } from "/kit/dom.js";
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
  }, make("b", {}, tune.name), " ", make("span", { class: "soft" }, say(tune.own ? "tunes.yours" : tune.opened ? "tunes.opened" : "tunes.not_yet"))))));
}

export function startTunes(taken) {
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
