// What to play on, for a player who has just come: what is plugged in, the keys, the screen, or the simulated pupil.

import { byId, make } from "/kit/dom.js";
import { say } from "/kit/texts.js";
import { state } from "./state.js";

let drawn = null;

export function drawStart(choose) {
  const found = state.chanter?.found ?? [];
  const refused = state.chanter?.state === "refused" ? state.chanter.sentence : "";
  const key = JSON.stringify([found, refused, state.feels]);
  if (key === drawn) return;
  drawn = key;
  const choice = (picture, title, about, to) => make("li", {},
    make("button", { class: "choice", "data-to": to, onclick: () => choose(to) },
      make("span", { class: `sign ${picture}`, "aria-hidden": "true" }), make("b", {}, title), make("span", {}, about)));
  // How many fingers the screen feels: as was tried, else as it says. One that feels too few comes after the keys.
  const feels = state.feels ?? navigator.maxTouchPoints;
  const touchFirst = matchMedia("(pointer: coarse)").matches && feels >= 8;
  const keys = choice("sign-keys", say("start.keys"), say("start.keys_about"), "keys");
  const touch = choice("sign-touch", say("start.touch"), feels >= 8 ? say("start.touch_about") : feels ? say("start.touch_few", { count: feels }) : say("start.touch_mouse"), "touch");
  const ports = found.filter(({ spec }) => spec !== "sim" && spec !== "page").map(({ spec, description }) =>
    choice("sign-chanter", say("start.chanter"), description || spec, spec));
  byId("choices").replaceChildren(
    ...ports, ...(touchFirst ? [touch, keys] : [keys, touch]),
    choice("sign-pupil", say("start.simulated"), say("start.simulated_about"), "sim"),
    ...(ports.length ? [] : [make("li", { class: "soft none" }, make("b", {}, `${say("start.chanter")}: `), say("start.chanter_none"))]));
}
