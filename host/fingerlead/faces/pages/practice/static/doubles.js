// The second click of a double click is for what the first one met alone: never for what has come into its place, be it
// another view, a dialog, or the next row of a list.

export function guardDoubles(view) {
  let first = null;
  document.addEventListener("click", (event) => {
    const met = event.target.closest("button, a, label, input, dialog") ?? event.target;
    if (first && event.detail > 1 && (view() !== first.view || met !== first.met)) {
      event.preventDefault();
      event.stopPropagation();
    } else {
      first = { view: view(), met };
    }
  }, true);
}
