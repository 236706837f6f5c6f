// Small helpers for making and changing elements. Never innerHTML: what comes from the host comes in as nodes.

const SVG = "http://www.w3.org/2000/svg";

export const byId = (id) => document.getElementById(id);

export function make(tag, attributes = {}, ...children) {
  return filled(document.createElement(tag), attributes, children);
}

export function draw(tag, attributes = {}, ...children) {
  return filled(document.createElementNS(SVG, tag), attributes, children);
}

function filled(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value != null) element.setAttribute(name, value);
  }
  element.append(...children.filter((child) => child != null));
  return element;
}

export function write(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

// Set `hidden` and the text together: nothing to say, nothing to see.
export function tell(element, text) {
  element.hidden = !text;
  write(element, text || "");
}

// An SVG from the host as an element, without what could act or style: only what is drawn.
export function picture(text) {
  if (!text) return null;
  // A style sheet inside would be refused, and complained about, as soon as it is read.
  const bare = text.replace(/<style[\s\S]*?<\/style>/g, "");
  const parsed = new DOMParser().parseFromString(bare, "image/svg+xml").documentElement;
  const isSvg = parsed.namespaceURI === SVG && parsed.localName === "svg";
  const svg = isSvg ? parsed : fromLooseMarkup(bare);
  if (!svg) return null;
  for (const part of svg.querySelectorAll("style, script, foreignObject, a, image, use")) part.remove();
  for (const part of [svg, ...svg.querySelectorAll("*")]) {
    for (const { name } of [...part.attributes]) {
      if (/^on|^style$|href$/i.test(name)) part.removeAttribute(name);
    }
  }
  return document.importNode(svg, true);
}

// An SVG element as it stands in HTML, without the namespace's name.
function fromLooseMarkup(text) {
  return new DOMParser().parseFromString(text, "text/html").querySelector("svg");
}

export const openDialog = (dialog) => dialog.open || dialog.showModal();
