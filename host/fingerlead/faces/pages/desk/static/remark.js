// A remark is pinned where it was begun: its moment is taken with the first letter, stands beside it, and can be changed.

import { byId } from "/kit/dom.js";

export const clock = (us) => {
  const tenths = Math.floor(us / 100_000);
  return `${Math.floor(tenths / 600)}:${String(Math.floor(tenths / 10) % 60).padStart(2, "0")}.${tenths % 10}`;
};

// Go where a remark is written. At once: a page that still glides would stop at the first letter.
export function beginRemark() {
  byId("remark-text")?.scrollIntoView({ behavior: "instant" });
  byId("remark-text")?.focus({ preventScroll: true });
}

// `placeUs` says where the replay is.
export function startRemark(placeUs, endUs) {
  const text = byId("remark-text");
  if (!text) return;
  const at = byId("remark-at");
  const hidden = byId("remark-us");

  // What is shown is cut to tenths; what was taken is kept to the microsecond.
  function take() {
    hidden.value = placeUs();
    at.value = clock(hidden.value);
  }

  text.addEventListener("input", () => {
    if (!text.value.trim()) at.value = hidden.value = "";
    else if (!at.value) take();
  });
  at.addEventListener("input", () => {
    const [minutes, seconds] = at.value.split(":").map(Number);
    hidden.value = at.validity.valid ? Math.min(Math.round((minutes * 60 + seconds) * 1e6), endUs) : "";
  });
  byId("remark-here").addEventListener("click", take);
}
