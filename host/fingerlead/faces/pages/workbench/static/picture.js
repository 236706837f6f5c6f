// The chanter with the holes in question marked: full where they are to be covered, half where half.

import { draw } from "/kit/dom.js";
import { say } from "/kit/texts.js";

const FRONT = [1, 2, 3, 4, 5, 6, 7];
const ALL = [0, ...FRONT];
let shown = "";

// Which holes are marked, which of them covered, and what a screen reader says.
function marks({ kind, hole }, fingers, moved) {
  const finger = fingers[hole] ?? "";
  return {
    open: { asked: [], covered: [], words: say("lead.picture_none") },
    covered: { asked: [hole], covered: [hole], words: say("lead.picture_one", { finger }) },
    half: { asked: [hole], covered: [], half: hole, words: say("lead.picture_one", { finger }) },
    all: { asked: ALL, covered: ALL, words: say("lead.picture_all") },
    scale: { asked: ALL, covered: [], words: say("lead.picture_scale") },
    bar: { asked: FRONT, covered: FRONT, words: say("lead.picture_front") },
    // Each finger is marked until it has moved.
    seal: { asked: ALL.filter((one) => !moved[one]), covered: ALL, words: say("lead.picture_all") },
  }[kind];
}

export function markHoles(step, { fingers, moved }) {
  const key = JSON.stringify([step.kind, step.hole, moved]);
  if (key === shown) return;
  shown = key;
  const svg = document.querySelector("#picture svg");
  const holes = [...svg.querySelectorAll(".hole")];
  const names = [...svg.querySelectorAll(".finger")];
  const { asked, covered, half, words } = marks(step, fingers, moved);
  holes.forEach((one, hole) => {
    one.classList.toggle("asked", asked.includes(hole));
    one.classList.toggle("covered", covered.includes(hole));
    names[hole].classList.toggle("asked", asked.includes(hole) && asked.length === 1);
    one.querySelector("path")?.remove();
    if (hole === half) {
      const { cx, cy, r } = one.querySelector("circle");
      const [x, y, radius] = [cx, cy, r].map((length) => length.baseVal.value);
      one.append(draw("path", { d: `M${x} ${y - radius}a${radius} ${radius} 0 0 0 0 ${2 * radius}z` }));
    }
  });
  svg.setAttribute("aria-label", words);
}
