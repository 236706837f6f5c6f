// How a page comes in: the token in the fragment of its address is exchanged, once for each load, for the secret that goes
// with all it asks for. The address alone opens a page, so that a reload, a bookmark and a link in a new tab do; nothing
// is kept in the browser. After the token a fragment may name a place, as it does elsewhere: #TOKEN&place

import { byId, tell } from "./dom.js";

let [token, named = ""] = parted(location.hash);

// Where on the page its address leads.
export const place = named;

// The token is wrong: fingerlead was started anew since, or the address is not whole.
export class NotLetIn extends Error {}

let entering = null;

// This load's secret.
export function enter() {
  entering ??= exchange().catch((error) => {
    entering = null;
    throw error;
  });
  return entering;
}

async function exchange() {
  const answer = await fetch("/enter", { method: "POST", body: token });
  if (answer.status === 401) throw new NotLetIn(await answer.text());
  if (!answer.ok) throw new Error(`enter: ${answer.status}`);
  // An address that opens once, as the program gives it to the browser, is exchanged for the one that lasts.
  const lasting = answer.headers.get("fingerlead-token");
  if (lasting) {
    token = lasting;
    history.replaceState(history.state, "", `${location.pathname}${location.search}#${token}${place && `&${place}`}`);
  }
  return answer.text();
}

// The host knows this secret no more: another is asked for next.
export function forget() {
  entering = null;
}

// As `fetch`, with this load's secret.
export async function ask(path, options = {}) {
  const used = enter();
  const answer = await send(path, options, await used);
  if (answer.status !== 401) return answer;
  if (entering === used) forget();
  const again = await send(path, options, await enter());
  tell(byId("notice"), byId("notice").dataset.again);
  return again;
}

const send = (path, options, secret) => fetch(path, { ...options, headers: { Authorization: `Bearer ${secret}` } });

// An address of this server with the token, so that it opens.
export function withToken(address) {
  const { pathname, search, hash } = new URL(address, location.href);
  const [first, second] = parted(hash);
  const there = first === token ? second : first;
  return `${pathname}${search}#${token}${there && `&${there}`}`;
}

// Let the links and the forms that only read, within an element, keep the token; what leads to a place on this page goes
// there, and the address stays.
export function carry(element) {
  for (const link of element.querySelectorAll("a[href]")) {
    const to = link.getAttribute("href");
    if (to.startsWith("#")) link.addEventListener("click", (event) => stay(event, to.slice(1)));
    else if (link.origin === location.origin) link.setAttribute("href", withToken(to));
  }
  for (const form of element.querySelectorAll("form[method=get]")) form.action = withToken(form.action);
}

function stay(event, id) {
  event.preventDefault();
  reach(id);
}

// Go to a place on this page, with the keyboard as well; what it is folded away in opens.
export function reach(id) {
  const element = id && byId(id);
  if (!element) return;
  for (let part = element.closest("details"); part; part = part.parentElement.closest("details")) part.open = true;
  if (element.tabIndex < 0) element.tabIndex = -1;
  element.scrollIntoView();
  element.focus({ preventScroll: true });
}

function parted(fragment) {
  const [first, ...rest] = fragment.slice(1).split("&");
  return [first, rest.join("&")];
}

// An address with another token was put into this tab: its page begins anew.
addEventListener("hashchange", () => parted(location.hash)[0] === token || location.reload());
