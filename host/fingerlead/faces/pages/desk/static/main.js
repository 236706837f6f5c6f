// The desk in the browser: it fetches the page of its address with the secret of this load, and sends the page's forms.

import { byId, tell, write } from "/kit/dom.js";
import { ask, carry, NotLetIn, place, reach, withToken } from "/kit/entry.js";
import { closeBeside, showBeside } from "./beside.js";
import { forgetPupil, handAllOn, pairsOf, saved, startDrafts, takeUpDrafts } from "./drafts.js";
import { startLesson } from "./lesson.js";
import { startPlayer } from "./player.js";
import { startRound } from "./round.js";
import { NO_ANSWER } from "./sentences.js";
import { forgetTicks, startTicks } from "./ticks.js";

let waits = false;

// Ask the host, and do what its answer is: a page to show, where to go next, a file, or a sentence. `sent` is the form that
// asks, and what it says.
async function follow(address, options, file = "", sent = null) {
  waits = true;
  document.body.setAttribute("aria-busy", "true");
  tell(byId("notice"), "");
  const answer = await ask(address, options).catch(complainOf);
  if (answer) await obey(answer, file, sent);
  document.body.removeAttribute("aria-busy");
  waits = false;
}

const complainOf = (error) => complain(error instanceof NotLetIn ? error.message : NO_ANSWER);

async function obey(answer, file, sent) {
  const type = answer.headers.get("content-type") ?? "";
  if (sent && answer.ok) await done(sent);
  if (type.startsWith("text/html")) show(await answer.text());
  else if (sent && answer.status === 409) showBeside(sent.form, await answer.json(), send);
  else if (!answer.ok) complain(await answer.text());
  else if (type.startsWith("application/json")) go((await answer.json()).next);
  else keep(await answer.blob(), file);
}

function done({ form, pairs }) {
  saved(form, pairs);
  if (form.dataset.deletes) forgetPupil(form.dataset.deletes);
  if (form.dataset.ticked !== undefined) forgetTicks();
  return handAllOn();
}

// The host's own page comes in as nodes: a script among them would not run.
function show(html) {
  const page = new DOMParser().parseFromString(html, "text/html");
  document.title = page.title;
  byId("page").replaceChildren(...page.body.childNodes);
  carry(byId("page"));
  startDrafts(byId("page"));
  startTicks();
  foldParts();
  scrollTo({ top: 0, behavior: "instant" });
  write(byId("live"), byId("page").querySelector(".notice")?.textContent ?? page.title);
  if (byId("player")) startPlayer(byId("player"));
  if (byId("round")) startRound();
  if (byId("lesson")) startLesson();
}

// On a narrow screen what is secondary is folded away, until it is asked for.
function foldParts() {
  const wide = matchMedia("(min-width: 40rem)").matches;
  for (const part of document.querySelectorAll("#page details.part")) part.open = wide || holdsDraft(part);
}

// What holds something typed stays open.
const holdsDraft = (part) => part.querySelector(".draft:not([hidden])") !== null;

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

function send(form) {
  const fields = new FormData(form);
  const body = form.enctype === "multipart/form-data" ? fields : new URLSearchParams(fields);
  closeBeside(form);
  return follow(form.action, { method: "POST", body }, "", { form, pairs: pairsOf(form) });
}

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.method !== "post") return;
  event.preventDefault();
  if (!waits) send(form);
});

document.addEventListener("click", (event) => {
  const link = event.target.closest("#page a[download], #page a[type]");
  if (!link) return;
  event.preventDefault();
  if (!waits) follow(link.href, {}, link.download);
});

// A page that is come back to, or loaded again, stands where it stood; what was typed into its forms is a draft.
const rememberPage = () => history.replaceState({ scrollY }, "");

history.scrollRestoration = "manual";
addEventListener("pagehide", rememberPage);
// Paper is wide enough.
addEventListener("beforeprint", () => {
  for (const part of document.querySelectorAll("#page details.part")) part.open = true;
});

async function begin() {
  await takeUpDrafts();
  await follow(location.pathname + location.search);
  if (history.state) scrollTo({ top: history.state.scrollY, behavior: "instant" });
  else reach(place);
}

begin();
