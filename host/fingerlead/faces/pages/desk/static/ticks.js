// Pupils who are ticked for homework: the ticks go along from page to page of the list, in this tab, until it is set.

import { byId, make, write } from "/kit/dom.js";

const KEPT = "fingerlead-ticks";

// A browser that keeps nothing has the ticks of one page.
function ticked() {
  try {
    return new Set(JSON.parse(sessionStorage.getItem(KEPT) ?? "[]"));
  } catch {
    return new Set();
  }
}

function keep(ticks) {
  try {
    sessionStorage.setItem(KEPT, JSON.stringify([...ticks]));
  } catch {
    // Nothing is kept: the boxes of this page say it all.
  }
}

export const forgetTicks = () => keep(new Set());

// Look after the boxes of a page that has just come.
export function startTicks() {
  const form = byId("to-homework");
  if (!form) return;
  const boxes = [...document.querySelectorAll("input[form=to-homework]")];
  const here = new Set(boxes.map((box) => box.value));
  for (const box of boxes) {
    box.checked = ticked().has(box.value);
    box.addEventListener("change", () => {
      const ticks = ticked();
      if (box.checked) ticks.add(box.value);
      else ticks.delete(box.value);
      keep(ticks);
      show();
    });
  }
  byId("untick").addEventListener("click", () => {
    forgetTicks();
    for (const box of boxes) box.checked = false;
    show();
    form.querySelector("button").focus();
  });
  show();

  // What is ticked on other pages of the list goes with the form too.
  function show() {
    const elsewhere = [...ticked()].filter((key) => !here.has(key));
    for (const old of form.querySelectorAll("input[type=hidden]")) old.remove();
    form.append(...elsewhere.map((key) => make("input", { type: "hidden", name: "for", value: key })));
    const count = elsewhere.length + boxes.filter((box) => box.checked).length;
    write(byId("ticks"), count ? `${count} ticked${elsewhere.length ? `, ${elsewhere.length} of them not on this page` : ""}` : "");
    byId("untick").hidden = !count;
  }
}
