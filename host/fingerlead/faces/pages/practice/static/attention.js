// What is said to those who listen, what is told above the page, and where the focus goes.

import { byId, tell } from "/kit/dom.js";

const SAY_EVERY_MS = 900;
const FOCUS_WITHIN_MS = 3_000;
export const SHORT_NOTICE_MS = 5_000;

// What a screen reader says: the newest sentence, not one on top of another.
let saying = 0;
let saidAt = -SAY_EVERY_MS;
let toSay = "";
export function announce(text) {
  if (!text) return;
  toSay = text;
  saying ||= setTimeout(() => {
    saying = 0;
    saidAt = performance.now();
    const live = byId("live");
    live.textContent = live.textContent === toSay ? `${toSay}\u00a0` : toSay;
  }, Math.max(0, saidAt + SAY_EVERY_MS - performance.now()));
}

let noticeTimer = 0;

export function notice(text, forMs = 0) {
  clearTimeout(noticeTimer);
  if (text && text !== byId("notice").textContent) announce(text);
  tell(byId("notice"), text);
  if (forMs) noticeTimer = setTimeout(() => notice(""), forMs);
}

// Where the focus goes as soon as it is there: what is asked of the host comes a little later.
let focusNext = null;
export function focusLater(id) {
  focusNext = { id, until: performance.now() + FOCUS_WITHIN_MS };
  dispatchEvent(new Event("redraw"));
}

export function focusNow() {
  if (!focusNext) return;
  const element = byId(focusNext.id);
  if (performance.now() > focusNext.until) focusNext = null;
  else if (element.checkVisibility?.() ?? element.offsetParent) {
    element.focus();
    if (document.activeElement === element) focusNext = null;
  }
}
