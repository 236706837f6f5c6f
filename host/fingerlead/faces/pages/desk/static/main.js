// The desk in the browser: it fetches the page of its address with the secret of this load, and sends the page's forms.

import { byId, tell, write } from "/kit/dom.js";
import { ask, carry, NotLetIn, place, reach, withToken } from "/kit/entry.js";
import { startPlayer } from "./player.js";
import { startRound } from "./round.js";
import { NO_ANSWER } from "./sentences.js";

let waits = false;

// Ask the host, and do what its answer is: a page to show, where to go next, a file to keep, or a sentence.
async function follow(address, options, file) {
  waits = true;
  document.body.setAttribute("aria-busy", "true");
  try {
    const answer = await ask(address, options);
    const type = answer.headers.get("content-type") ?? "";
    if (type.startsWith("text/html")) show(await answer.text());
    else if (!answer.ok) complain(await answer.text());
    else if (file) keep(await answer.blob(), file);
    else go((await answer.json()).next);
  } catch (error) {
    complain(error instanceof NotLetIn ? error.message : NO_ANSWER);
  }
  document.body.removeAttribute("aria-busy");
  waits = false;
}

// The host's own page comes in as nodes: a script among them would not run.
function show(html) {
  const page = new DOMParser().parseFromString(html, "text/html");
  document.title = page.title;
  tell(byId("notice"), "");
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
  removeEventListener("pagehide", rememberScroll);
  history.replaceState(null, "", next);
  location.reload();
}

function keep(blob, name) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(blob);
  link.download = name;
  link.click();
  URL.revokeObjectURL(link.href);
}

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.method !== "post") return;
  event.preventDefault();
  if (waits) return;
  const fields = new FormData(form);
  follow(form.action, { method: "POST", body: form.enctype === "multipart/form-data" ? fields : new URLSearchParams(fields) });
});

document.addEventListener("click", (event) => {
  const link = event.target.closest("#page a[download]");
  if (!link) return;
  event.preventDefault();
  if (!waits) follow(link.href, {}, link.download);
});

// A page that is come back to, or loaded again, stands where it stood.
const rememberScroll = () => history.replaceState({ scrollY }, "");
history.scrollRestoration = "manual";
addEventListener("pagehide", rememberScroll);

async function begin() {
  await follow(location.pathname + location.search);
  if (history.state) scrollTo({ top: history.state.scrollY, behavior: "instant" });
  else reach(place);
}

begin();
