// The second click of a double click is not for what has come into the place of the first one's button.

export function guardDoubles(view) {
  let first = null;
  document.addEventListener("click", (event) => {
    if (event.detail > 1 && view() !== first) {
      event.preventDefault();
      event.stopPropagation();
    } else {
      first = view();
    }
  }, true);
}
