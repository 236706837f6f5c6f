// A remark is pinned where it was begun: its moment is taken with the first letter, stands beside it, and can be changed.

import { byId } from "/kit/dom.js";

export const clock = (us) => {
  const tenths = Math.floor(us / 100_000);
  return `${Math.floor(tenths / 600)}:${String(Math.floor(tenths / 10) % 60).padStart(2, "0")}.${tenths % 10}`;
};

// `placeUs` says where the replay is.
export function startRemark(placeUs, endUs) {
  const form = byId("remark");
  if (!form) return;
  const text = byId("remark-text");
  const at = byId("remark-at");
  let takenUs = 0;

  function take() {
    takenUs = placeUs();
    at.value = clock(takenUs);
  }

  text.addEventListener("input", () => {
    if (!text.value.trim()) at.value = "";
    else if (!at.value) take();
  });
  byId("remark-here").addEventListener("click", take);
  form.addEventListener("formdata", ({ formData }) => {
    if (!at.value) take();
    const [minutes, seconds] = at.value.split(":").map(Number);
    const writtenUs = Math.round((minutes * 60 + seconds) * 1e6);
    formData.delete("at");
    // What stands there is cut to tenths; what was taken is to the microsecond.
    formData.set("at_us", at.value === clock(takenUs) ? takenUs : Math.min(writtenUs, endUs));
  });
}
