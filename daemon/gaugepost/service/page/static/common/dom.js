// Elements made of names, properties and children; text is always text, never markup.

const SVG = "http://www.w3.org/2000/svg";

export function h(name, properties = {}, ...children) {
  return filled(document.createElement(name), properties, children);
}

export function s(name, properties = {}, ...children) {
  return filled(document.createElementNS(SVG, name), properties, children);
}

function filled(element, properties, children) {
  for (const [key, value] of Object.entries(properties)) {
    if (value === null || value === undefined || value === false) continue;
    if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else if (key === "value" && "value" in element) element.value = value;
    else element.setAttribute(key, value === true ? "" : String(value));
  }
  element.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== false));
  return element;
}

// Exchanges what is in an element, unless it is the same: what a person has focused or selected stays.
export function put(element, ...children) {
  const fresh = children.flat().filter((child) => child !== null && child !== undefined && child !== false);
  const same = element.childNodes.length === fresh.length
    && fresh.every((child, at) => typeof child !== "string" && child.isEqualNode(element.childNodes[at]));
  if (!same) element.replaceChildren(...fresh);
}

export function setText(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

let last = 0;

export function freshId(name) {
  last += 1;
  return `${name}-${last}`;
}
