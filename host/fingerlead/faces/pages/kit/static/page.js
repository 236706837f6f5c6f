// How every page that has a line begins: its texts, then the line; and how it draws, at most once a frame.

import { byId, tell } from "./dom.js";
import { carry } from "./entry.js";
import { Line } from "./live.js";
import { loadTexts } from "./texts.js";

// A function that has `draw` done in the next frame, however often it is called before.
export function onceAFrame(draw) {
  let waits = false;
  return () => {
    if (waits) return;
    waits = true;
    requestAnimationFrame(() => {
      waits = false;
      draw();
    });
  };
}

// The line to the host, once the texts are there and `ready` has been called; null where this browser cannot have it.
export async function openLine({ ready, ...hears }) {
  carry(document);
  if (!("WebSocket" in window)) {
    byId("needs").hidden = false;
    return null;
  }
  try {
    await loadTexts();
  } catch {
    tell(byId("notice"), byId("notice").dataset.failed);
    return null;
  }
  ready();
  return new Line(hears);
}
