// What is typed into a form and not saved yet is kept in this browser until the host has confirmed that it is saved.
//
// A draft belongs to one form, by its address and what it is of, and to one load of a page: two tabs keep one each, and
// neither writes over the other. A page that comes takes in the newest draft of each of its forms; typing on makes it a
// draft of its own, in place of the one it came from. What a form carries hidden is kept with it: what it was filled from,
// and its name.

import { make, tell, write } from "/kit/dom.js";
import { ask } from "/kit/entry.js";

const PREFIX = "fingerlead-draft ";
const UNREAD = ["file", "submit", "button", "fieldset"];
const UNKEPT = "This browser keeps no drafts: what is typed here is lost with the page, until it is saved.";
const TYPED = "Not saved yet. What is typed here is kept in this browser.";
const CAME_BACK = "This was typed before, and is not saved yet.";
const DROPPED = "The draft is dropped.";
const SAVED = "This was saved in another tab.";
const ORPHAN = "This was typed before, and what it was typed into is no longer here. It stays until it is dropped.";
// What a draft says for a moment before it goes because it was saved, or its pupil deleted, and not typed on in.
const DONE = "done";

// Of each form of the page that is shown: `filled` as it came, the `key` of its own draft, and which was `taken` in.
let forms = new Map();

const prefixOf = (form) => `${PREFIX}${new URL(form.action).pathname}#${form.dataset.draft ?? ""} `;

// Names and values of a form's fields, as they stand: not as they are sent, which another script may make of them.
export function pairsOf(form, isTyped = () => true) {
  const fields = [...form.elements].filter((field) => field.name && !UNREAD.includes(field.type) && isTyped(field));
  return fields.flatMap((field) => valuesIn(field).map((value) => [field.name, value]));
}

function valuesIn(field) {
  if (["checkbox", "radio"].includes(field.type)) return field.checked ? [field.value] : [];
  if (field.type === "select-multiple") return [...field.selectedOptions].map((one) => one.value);
  return [field.value];
}

// What a person can change in a form, or would see of some pairs.
const typedPairs = (form) => pairsOf(form, (field) => field.type !== "hidden");
const typedIn = (form) => JSON.stringify(typedPairs(form));

function typedOf(form, pairs) {
  const hidden = new Set([...form.querySelectorAll("input[type=hidden]")].map((field) => field.name));
  return JSON.stringify(pairs.filter(([name]) => !hidden.has(name)));
}

// Look after the forms of a page that has just come.
export function startDrafts(page) {
  forms = new Map();
  for (const form of page.querySelectorAll("form[method=post]:not([data-deletes])")) {
    if (![...form.elements].some((field) => field.name && field.type !== "hidden" && !UNREAD.includes(field.type))) continue;
    const told = make("span", { role: "status" });
    const drop = make("button", { type: "button" });
    const state = make("p", { class: "wide small draft", hidden: true }, told, " ", drop);
    form.append(state);
    forms.set(form, { filled: typedIn(form), cameAs: pairsOf(form), key: "", taken: null, dropped: null, state, told, drop });
    drop.addEventListener("click", () => dropOrBringBack(form));
    takeIn(form);
  }
  showOrphans(page);
}

// Drafts of forms that this page has no more, as of a lesson that was changed or taken back since: their words are shown.
function showOrphans(page) {
  const here = [...page.querySelectorAll("form[method=post]")].map(prefixOf);
  const main = page.querySelector("main");
  for (const [key, { pairs }] of drafts(PREFIX)) {
    const path = key.slice(PREFIX.length).split("#")[0];
    if (!`${path}/`.startsWith(`${location.pathname}/`) || here.some((prefix) => key.startsWith(prefix))) continue;
    const words = pairs.map(([, value]) => value).reduce((one, other) => (other.length > one.length ? other : one), "");
    const drop = make("button", { type: "button" }, "Drop it");
    const said = [make("p", {}, ORPHAN), make("p", { class: "version" }, words), drop];
    const shown = make("section", { class: "beside no-print" }, ...said);
    drop.addEventListener("click", () => {
      remove(key, DONE);
      shown.remove();
    });
    main?.prepend(shown);
  }
}

// Put values into a form, of whatever fields it has now.
export function fill(form, pairs) {
  const given = new Map();
  for (const [name, value] of pairs) given.set(name, [...(given.get(name) ?? []), value]);
  for (const field of form.elements) {
    const values = given.get(field.name) ?? [];
    if (!field.name || UNREAD.includes(field.type)) continue;
    if (["checkbox", "radio"].includes(field.type)) field.checked = values.includes(field.value);
    else if (field.type === "select-multiple") for (const one of field.options) one.selected = values.includes(one.value);
    else if (values.length > 0) field.value = values.shift();
  }
}

// What is in a form now is a draft, unless it is what came with the page.
export function keep(form) {
  const draft = forms.get(form);
  if (!draft) return;
  if (typedIn(form) === draft.filled) {
    forget(form);
    say(draft, "", "");
    return;
  }
  const isKept = put(form, pairsOf(form));
  if (isKept) removeTaken(draft);
  say(draft, isKept ? TYPED : UNKEPT, isKept ? "Drop the draft" : "");
}

// The host has saved what was sent of a form. What was typed since then stays a draft, of the form as it comes next.
export function saved(form, sent) {
  if (!forms.has(form)) return;
  if (typedIn(form) === typedOf(form, sent)) forget(form, DONE);
  else put(form, typedPairs(form));
  forms.delete(form);
}

// Write a form's draft; whether this browser keeps it.
function put(form, pairs) {
  const draft = forms.get(form);
  draft.key ||= `${prefixOf(form)}${Date.now()} ${Math.random().toString(36).slice(2)}`;
  try {
    const text = JSON.stringify({ at: Date.now(), pupil: form.dataset.pupil ?? "", pairs });
    localStorage.setItem(draft.key, text);
    handOn(draft.key, text);
    return true;
  } catch {
    return false;
  }
}

// A pupil is deleted: so is what was typed of them.
export function forgetPupil(pupil) {
  for (const [key, { pupil: whose }] of drafts(PREFIX)) if (whose === pupil) remove(key, DONE);
}

// The newest draft of a form, where there is one that says anything else than the form does.
function takeIn(form) {
  const draft = forms.get(form);
  for (const [key, { pairs }, text] of drafts(prefixOf(form))) {
    if (typedOf(form, pairs) === draft.filled) remove(key, "");
    else if (!draft.taken) {
      draft.taken = { key, text };
      fill(form, pairs);
      open(form);
      say(draft, CAME_BACK, "Drop the draft");
    }
  }
}

// Unfold a form, and what of it a draft has filled in.
function open(form) {
  const filled = [...form.elements].filter((field) => field.checked);
  for (const element of [form, ...filled]) element.closest("details")?.setAttribute("open", "");
}

function dropOrBringBack(form) {
  const draft = forms.get(form);
  if (draft.dropped) {
    fill(form, draft.dropped);
    draft.dropped = null;
    keep(form);
    return;
  }
  draft.dropped = pairsOf(form);
  fill(form, draft.cameAs);
  forget(form);
  say(draft, DROPPED, "Bring it back");
}

function forget(form, why = "") {
  const draft = forms.get(form);
  if (draft.key) remove(draft.key, why);
  draft.key = "";
  removeTaken(draft, why);
}

// The draft that was taken in, unless another tab has typed on in it.
function removeTaken(draft, why = "") {
  if (draft.taken && localStorage.getItem(draft.taken.key) === draft.taken.text) remove(draft.taken.key, why);
  draft.taken = null;
}

function remove(key, why) {
  if (why) localStorage.setItem(key, why);
  localStorage.removeItem(key);
  handOn(key, "");
}

// The host keeps drafts too, for its next run: the page has another address then, and with it another store here. A draft
// that is typed on waits for a moment; one that goes does not.
const PAUSE_MS = 400;
let waiting = new Map();
let timer = 0;
let sending = Promise.resolve();

function handOn(key, text) {
  waiting.set(key, text);
  clearTimeout(timer);
  timer = setTimeout(handAllOn, text ? PAUSE_MS : 0);
}

// Hand on what waits, one after the other; settled when the host has all of it, or does not answer.
export function handAllOn() {
  clearTimeout(timer);
  const drafts = [...waiting];
  waiting = new Map();
  for (const [key, text] of drafts) {
    const body = new URLSearchParams({ key, text });
    sending = sending.then(() => ask("/drafts", { method: "POST", body })).catch(() => null);
  }
  return sending;
}

// Take up what the host has kept from its runs before.
export async function takeUpDrafts() {
  try {
    const answer = await ask("/drafts.json");
    const kept = answer.ok ? Object.entries(await answer.json()) : [];
    for (const [key, text] of kept) if (key.startsWith(PREFIX)) localStorage.setItem(key, localStorage.getItem(key) ?? text);
  } catch {
    // Without an answer the page says so itself.
  }
}

addEventListener("pagehide", handAllOn);

function say(draft, sentence, button) {
  draft.state.hidden = !sentence;
  write(draft.told, sentence);
  tell(draft.drop, button);
}

// Drafts whose name begins so, the newest first: name, what it says, and as it is written.
function drafts(prefix) {
  const found = [];
  try {
    for (const key of Object.keys(localStorage)) {
      if (!key.startsWith(prefix)) continue;
      const text = localStorage.getItem(key);
      found.push([key, JSON.parse(text), text]);
    }
  } catch {
    return [];
  }
  return found.sort(([, one], [, other]) => other.at - one.at);
}

for (const kind of ["input", "change"]) {
  document.addEventListener(kind, (event) => {
    const form = event.target.form;
    if (forms.has(form)) {
      forms.get(form).dropped = null;
      keep(form);
    }
  });
}

// Another tab has done something to this page's draft. Saved, it is none any more; typed on in, this one stays beside it.
addEventListener("storage", ({ key, newValue }) => {
  for (const [form, draft] of forms) {
    if (!key || key !== draft.key) continue;
    if (newValue === DONE) {
      draft.key = "";
      draft.filled = typedIn(form);
      say(draft, SAVED, "");
    } else if (newValue === null) keep(form);
  }
});
