// The desk in the browser: it fetches the page of its address with the secret of this load, and sends the page's forms.

import { byId, tell, write } from "/kit/dom.js";
import { ask, carry, NotLetIn, place, reach, withToken } from "/kit/entry.js";
import { startPlayer } from "./player.js";
import { startRound } from "./round.js";
import { NO_ANSWER } from "./sentences.js";

let waits = false;

// Ask the host, and do what its answer is: a page to show, where to go next, a file, or a sentence.
async function follow(address, options, file = "") {
  waits = true;
  document.body.setAttribute("aria-busy", "true");
  tell(byId("notice"), "");
  const answer = await ask(address, options).catch(complainOf);
  if (answer) await obey(answer, file);
  document.body.removeAttribute("aria-busy");
  waits = false;
}

const complainOf = (error) => complain(error instanceof NotLetIn ? error.message : NO_ANSWER);

async function obey(answer, file) {
  const type = answer.headers.get("content-type") ?? "";
  if (type.startsWith("text/html")) show(await answer.text());
  else if (!answer.ok) complain(await answer.text());
  else if (type.startsWith("application/json")) go((await answer.json()).next);
  else keep(await answer.blob(), file);
}

// The host's own page comes in as nodes: a script among them would not run.
function show(html) {
  const page = new DOMParser().parseFromString(html, "text/html");
  document.title = page.title;
  byId("page").replaceChildren(...page.body.childNodes);
  carry(byId("page"));
  scrollTo({ top: 0, behavior: "instant" });
  write(byId("live"), byId("page").querySelector(".notice")?.textContent ?? page.title);
  if (byId("player")) startPlayer(byId("player"));
  if (byId("round")) startRound();
}

function complain(sentence) {
  tell(byId("notice"), sentence);
  reach("notice");
}

function go(address) {
  const next = new URL(withToken(address), location.href);
  if (next.pathname + next.search !== location.pathname + location.search) {
    location.assign(next);
    return;
  }
  removeEventListener("pagehide", rememberPage);
  history.replaceState(null, "", next);
  location.reload();
}

// A file with a name is kept; one without is looked at.
function keep(blob, name) {
  const address = URL.createObjectURL(blob);
  if (!name) {
    location.assign(address);
    return;
  }
  const link = document.createElement("a");
  link.href = address;
  link.download = name;
  link.click();
}

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.method !== "post") return;
  event.preventDefault();
  if (waits) return;
  const fields = new FormData(form);
  const body = form.enctype === "multipart/form-data" ? fields : new URLSearchParams(fields);
  follow(form.action, { method: "POST", body });
});

document.addEventListener("click", (event) => {
  const link = event.target.closest("#page a[download], #page a[type]");
  if (!link) return;
  event.preventDefault();
  if (!waits) follow(link.href, {}, link.download);
});

// A page that is come back to, or loaded again, stands where it stood, with what was written into its forms.
const WRITTEN = ["input[name]:not([type=hidden]):not([type=file])", "textarea", "option"];
const written = () => [...byId("page").querySelectorAll(WRITTEN.map((field) => `form[method=post] ${field}`).join())];
const valueIn = (field) => (field.localName === "option" ? "selected" : "value");
const rememberPage = () => history.replaceState({ scrollY, fields: written().map((one) => one[valueIn(one)]) }, "");

function restorePage({ scrollY, fields }) {
  const now = written();
  if (now.length === fields.length) now.forEach((field, at) => (field[valueIn(field)] = fields[at]));
  scrollTo({ top: scrollY, behavior: "instant" });
}

history.scrollRestoration = "manual";
addEventListener("pagehide", rememberPage);

async function begin() {
  await follow(location.pathname + location.search);
  if (history.state) restorePage(history.state);
  else reach(place);
}

begin();
