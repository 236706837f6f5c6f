// Two hands on the chanter, as the player has them before them: the top hand's fingers come from its side, the bottom
// hand's from the other. A finger that covers is full and lies over its hole; one that is off is an outline, drawn back,
// and its hole is seen.

import { draw } from "/kit/dom.js";

export const WIDTH = 440;
export const HOLES_Y = [44, 92, 136, 180, 250, 294, 338, 382];
const MIDDLE = 220;
const R = 13;

// Whether a hole's finger comes from the left, where the right hand is on top or is not.
export const fromLeft = (hole, right) => (hole < 4) !== right;

// The picture with its holes and fingers; `more` is drawn over them.
export function handsDrawn(right, more = []) {
  const x = (at) => (right ? WIDTH - at : at);
  const holes = HOLES_Y.map((y, hole) => draw("g", { class: hole ? "hole" : "hole thumb" },
    draw("circle", { cx: x(hole ? MIDDLE : MIDDLE - 4), cy: y, r: R })));
  const fingers = HOLES_Y.map((y, hole) => finger(y, hole, fromLeft(hole, right)));
  const palms = draw("g", { class: "palms" }, palm(!right, 20, 216), palm(right, 226, 420));
  const svg = draw("svg", { class: "chanter-svg hands", viewBox: "0 -4 440 484", role: "img" },
    draw("path", { class: "body", d: "M204 4H236L246 440H194ZM182 440H258L262 458H178Z" }), ...holes, ...fingers, palms, ...more);
  return { svg, holes, fingers };
}

// Put the fingers where they are: `live` is what is covered, `fingers` which fingers lie over their holes.
export function pose({ holes, fingers }, live, laid = live) {
  for (let hole = 0; hole < 8; hole++) {
    holes[hole].classList.toggle("covered", Boolean((live >> hole) & 1));
    fingers[hole].classList.toggle("up", !((laid >> hole) & 1));
  }
}

function finger(y, hole, left) {
  const reach = hole === 0 ? 2 : 20;
  const [base, tip] = left ? [86, MIDDLE + reach] : [WIDTH - 86, MIDDLE - reach];
  return draw("g", { class: `finger-part ${left ? "from-left" : "from-right"}` },
    draw("rect", { x: Math.min(base, tip), y: y - 15, width: Math.abs(tip - base), height: 30, rx: 15 }),
    draw("path", { class: "crease", d: [46, 88].map((back) => `M${left ? tip - back : tip + back} ${y - 7}v14`).join("") }),
    draw("path", { class: "nail", d: left ? `M${tip - 13} ${y - 7}q8 7 0 14` : `M${tip + 13} ${y - 7}q-8 7 0 14` }));
}

function palm(left, top, bottom) {
  const [edge, knuckle, wrist] = left ? [22, 100, -10] : [WIDTH - 22, WIDTH - 100, WIDTH + 10];
  const inward = left ? 1 : -1;
  return draw("path", { class: "palm", d: `M${wrist} ${bottom - 84}H${edge - 6 * inward}Q${edge} ${bottom - 92} ${edge} ${bottom - 104}V${top + 34}`
    + `Q${edge} ${top} ${edge + 34 * inward} ${top}H${knuckle - 20 * inward}Q${knuckle} ${top} ${knuckle} ${top + 20}V${bottom - 40}`
    + `Q${knuckle} ${bottom} ${knuckle - 44 * inward} ${bottom}H${wrist}` });
}
