// The whole of the rung's music: the engraved staff, the note to play lit, letters that fade as reading gets surer.

import { byId, draw, make, picture, write } from "/kit/dom.js";
import { say } from "/kit/texts.js";
import { state } from "./state.js";

let rung = null;
let lit = null;
let spots = new Map(); // note id -> {group, system, box}
let systems = [];
let band = null;

export function drawStaff() {
  const box = byId("staff");
  if (state.rung !== rung) {
    rung = state.rung;
    lit = null;
    const svg = picture(rung?.staff_svg);
    box.replaceChildren(svg ?? letters());
    spots = new Map();
    band = null;
    if (svg) prepare(svg);
    fade();
  }
  if (state.lit !== lit) {
    lit = state.lit;
    light(box);
  }
}

// Where no staff has been engraved (yet), the letters stand in for it.
function letters() {
  return make("p", { class: "letters", "aria-hidden": "true" }, ...(rung?.notes ?? []).map(({ note }) =>
    make("span", {}, state.notes[note] ?? "")));
}

function prepare(svg) {
  for (const name of ["width", "height"]) svg.removeAttribute(name);
  svg.setAttribute("aria-hidden", "true");
  const place = (element) => {
    const box = element.getBBox();
    const matrix = svg.getScreenCTM().inverse().multiply(element.getScreenCTM());
    const at = (x, y) => new DOMPoint(x, y).matrixTransform(matrix);
    const [from, to] = [at(box.x, box.y), at(box.x + box.width, box.y + box.height)];
    return { left: Math.min(from.x, to.x), right: Math.max(from.x, to.x), middle: (from.y + to.y) / 2 };
  };
  // Five lines that reach across are a staff; all that is drawn belongs to the nearest one.
  const lines = [...svg.querySelectorAll("line")].map(place);
  const long = lines.filter((line) => line.right - line.left > 5).map((line) => line.middle).sort((a, b) => a - b);
  systems = [];
  for (let i = 0; i + 4 < long.length; i += 5) systems.push({ top: long[i], bottom: long[i + 4] });
  const nearest = (y) => systems.reduce((best, one) =>
    Math.abs(y - (one.top + one.bottom) / 2) < Math.abs(y - (best.top + best.bottom) / 2) ? one : best, systems[0]);
  for (const { id, note } of rung.notes ?? []) {
    const group = id && svg.getElementById(id);
    if (!group || spots.has(id)) continue;
    const box = place(group);
    spots.set(id, { group, note, system: nearest(box.middle), letters: [], ...box });
  }
  band = draw("rect", { class: "band", rx: 0.8 });
  const pointer = draw("path", { class: "pointer" });
  band.pointer = pointer;
  svg.prepend(band);
  svg.append(pointer);
  // The letters below a staff, each with the note above it.
  for (const text of svg.querySelectorAll("text")) {
    if (!/^([A-G]|low|high)$/.test(text.textContent.trim())) continue;
    const { left, right, middle } = place(text);
    const above = systems.filter((one) => one.bottom < middle).at(-1);
    const near = [...spots.values()].filter((spot) => spot.system === above)
      .map((spot) => [Math.abs(spot.left + spot.right - left - right) / 2, spot]).sort((a, b) => a[0] - b[0])[0];
    if (near && near[0] < 3) near[1].letters.push(text);
    text.classList.add("staff-letter");
  }
}

// 2: letter and picture; 1: letter; 0: neither.
function fade() {
  for (const { note, letters } of spots.values()) {
    for (const text of letters) text.classList.toggle("gone", (rung.help?.[note] ?? 2) < 1);
  }
}

function light(box) {
  for (const old of box.querySelectorAll(".lit")) old.classList.remove("lit");
  const standIn = box.querySelector(".letters")?.children[lit?.index];
  standIn?.classList.add("lit");
  standIn?.scrollIntoView({ block: "nearest" });
  const spot = spots.get(lit?.id);
  band?.classList.toggle("gone", !spot);
  band?.pointer.classList.toggle("gone", !spot);
  const name = lit?.note == null ? "" : state.notes[lit.note];
  const label = name ? say("music.staff", { note: name }) : say("music.staff_done");
  if (box.getAttribute("aria-label") !== label) box.setAttribute("aria-label", label);
  if (!spot || !band) return;
  spot.group.classList.add("lit");
  if (!spot.system) return;
  const { top, bottom } = spot.system;
  const place = { x: spot.left - 0.9, y: top - 1.7, width: spot.right - spot.left + 1.8, height: bottom - top + 4.2 };
  for (const [key, value] of Object.entries(place)) band.setAttribute(key, value);
  const middle = (spot.left + spot.right) / 2;
  band.pointer.setAttribute("d", `M${middle - 0.9} ${top - 2.5}h1.8l-0.9 1.3z`);
  follow(box, spot);
}

// Keep the lit note in sight where the staff is wider or higher than its box.
function follow(box, spot) {
  const svg = box.firstElementChild;
  const scale = svg.getBoundingClientRect().width / svg.viewBox.baseVal.width;
  const x = ((spot.left + spot.right) / 2 - svg.viewBox.baseVal.x) * scale;
  const y = (spot.system.top - svg.viewBox.baseVal.y) * scale;
  const wide = box.clientWidth;
  if (x < box.scrollLeft + wide * 0.12 || x > box.scrollLeft + wide * 0.72) box.scrollLeft = x - wide * 0.3;
  const high = box.clientHeight;
  if (svg.clientHeight > high + 4) box.scrollTop = y - high * 0.2;
}

export function drawMusicWords() {
  const { rung: now } = state;
  if (!now) return;
  const told = [now.number == null ? "" : say("music.rung", now), now.tune ? say("music.tune") : ""].filter(Boolean);
  write(byId("rung-number"), told.length ? `${told.join(", ")}.` : "");
  for (const id of ["rung-together", "more-together"]) write(byId(id), now.together ?? "");
  write(byId("rung-name"), capital(now.name ?? ""));
  write(byId("rung-trains"), now.trains ? capital(now.trains) : "");
}

export const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);
