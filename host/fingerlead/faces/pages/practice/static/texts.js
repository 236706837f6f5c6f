// The page's words: one catalogue, served by the host. `say("eight.count", {count: 6})` fills in what stands in braces.

let catalogue = {};

export async function loadTexts() {
  const answer = await fetch("/texts.json");
  if (!answer.ok) throw new Error(`texts: ${answer.status}`);
  catalogue = await answer.json();
}

export function say(key, values = {}) {
  const text = key.split(".").reduce((part, name) => part?.[name], catalogue);
  if (typeof text !== "string") throw new Error(`no text ${key}`);
  return text.replace(/\{(\w+)\}/g, (_, name) => values[name] ?? "");
}
