// The keys of a page: none is taken from a field that is typed into, or from a button that has it as its own.

const KEPT = "fingerlead-keys";
const TYPED = "input:not([type=checkbox], [type=range]), select, textarea";

// `act` is given a key in lower case, and says whether it is one of the page's; `box` switches them all off.
export function startKeys(box, act) {
  // A screen reader may need these keys: they stay switched off for as long as the page is open.
  box.checked = sessionStorage.getItem(KEPT) !== "off";
  box.addEventListener("change", () => sessionStorage.setItem(KEPT, box.checked ? "on" : "off"));
  document.addEventListener("keydown", (event) => {
    const { target, key } = event;
    if (!box.checked || event.repeat || event.ctrlKey || event.altKey || event.metaKey || target.matches(TYPED)) return;
    if (key === " " ? target.matches("button, a, summary, input[type=checkbox]") : target.type === "range" && /^Arrow/.test(key)) return;
    if (act(key.toLowerCase())) event.preventDefault();
  });
}
