// How a phone or tablet joins this page: a picture of the address, and what is to be known before the phone warns.

import { byId, make, openDialog, picture, write } from "/kit/dom.js";
import { state } from "./state.js";

let drawn = null;

export function startJoin() {
  for (const button of document.querySelectorAll(".join-button")) {
    button.addEventListener("click", () => openDialog(byId("join-dialog")));
  }
}

export function drawJoin() {
  const { join } = state;
  if (join === drawn) return;
  drawn = join;
  for (const button of document.querySelectorAll(".join-button")) button.hidden = !join;
  byId("join-picture").replaceChildren(...[picture(join?.picture)].filter(Boolean));
  byId("join-lines").replaceChildren(...(join?.sentences ?? []).map((sentence) => make("p", { class: "long" }, sentence)));
  write(byId("join-address"), join?.url ?? "");
}
