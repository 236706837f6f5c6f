// What is visible on the practice page, and where it stands; for `eyes.py`.
() => {
  const shows = { opacityProperty: true, visibilityProperty: true };
  const seen = (one) => one.getClientRects().length > 0 && one.checkVisibility(shows);
  const all = (where, within = document) => [...within.querySelectorAll(where)].filter(seen);
  const text = (where) => all(where).map((one) => one.innerText.replace(/\s+/g, " ").trim()).join(" ");
  const place = (one) => {
    const { x, y, width, height } = one.getBoundingClientRect();
    return { x: x + width / 2, y: y + height / 2, top: y, width, height };
  };
  const [staff] = all("#score path.lines").map(place).sort((a, b) => b.width - a.width);
  const heads = all("#score ellipse").map(place);
  const large = Math.max(0, ...heads.map(({ width }) => width));
  const byX = (a, b) => a[0] - b[0];
  return {
    title: text("h1"),
    sentence: text("#sentence"),
    key: text("#next-button"),
    summary: text("#summary-lines"),
    rows: all(".dots").map((row) => all(".on", row).length),
    // Grace notes are smaller. Half a space of the staff is a step.
    heads: heads.filter(({ width }) => width > 0.8 * large).map(({ x, y }) => [x, (y - staff.top) / (staff.height / 8)]).sort(byX),
    letters: all("#score .letter").map((one) => [place(one).x, one.textContent]).sort(byX),
    pointer: all("#score .pointer").map((one) => place(one).x)[0] ?? null,
    scrolls: [document.documentElement, ...document.querySelectorAll("#practice > *")]
      .filter((one) => one.scrollHeight > one.clientHeight + 1).map((one) => `${one.className}: ${one.innerText}`),
  };
}
