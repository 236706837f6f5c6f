// A save that is older than what is stored: what was typed and what is stored, side by side, and a choice for each field.

import { make } from "/kit/dom.js";
import { fill, keep, pairsOf } from "./drafts.js";

// Show what clashes after a form, and send the form again as soon as every field is chosen.
export function showBeside(form, { sentence, clashes, fields, stored, hidden }, send) {
  closeBeside(form);
  const chosen = {};
  const keepChosen = () => settle(form, { ...fields, ...chosen, ...hidden }, send);
  const button = make("button", { type: "button", disabled: true, onclick: keepChosen }, "Keep what is chosen");
  const choose = (field, value) => {
    chosen[field] = value;
    button.disabled = clashes.some((each) => !(each in chosen));
  };
  const questions = clashes.map((field) => question(form, field, fields[field], stored[field], choose));
  const named = { class: "beside no-print", "aria-label": "What clashes", tabindex: "-1" };
  const panel = make("section", named, make("p", {}, sentence), ...questions, button);
  form.after(panel);
  panel.scrollIntoView();
  panel.focus({ preventScroll: true });
}

export function closeBeside(form) {
  if (form.nextElementSibling?.matches(".beside")) form.nextElementSibling.remove();
}

function question(form, field, yours, stored, choose) {
  const input = form.elements[field];
  const versions = { Yours: yours, "What is stored since": stored };
  if (input.localName === "textarea") versions["Both, one below the other"] = `${stored}\n\n${yours}`;
  const labels = Object.entries(versions).map(([name, value]) => {
    const radio = make("input", { type: "radio", name: `beside-${field}`, onchange: () => choose(field, value) });
    return make("label", {}, make("span", {}, radio, ` ${name}`), make("bdi", { class: "version" }, value || "(empty)"));
  });
  return make("fieldset", {}, make("legend", {}, input.labels[0].firstChild.textContent.trim()), ...labels);
}

// The form says what was chosen, and hidden in it that it was filled from what is stored.
function settle(form, values, send) {
  closeBeside(form);
  fill(form, pairsOf(form).filter(([name]) => !(name in values)).concat(Object.entries(values)));
  keep(form);
  send(form);
}
