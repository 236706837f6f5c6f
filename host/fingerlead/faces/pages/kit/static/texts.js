// The page's words: one catalogue, served by the host. `say(key, values)` fills in what stands in braces; a key is the
// name of a section and that of a text, with a dot between.

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
