// Elements without a framework: h("p", {class: "state"}, "2 of 6") and svg("path", {d: "M0 0"}).

/** @typedef {Node | string | number | null | undefined | false} Child */
/** @typedef {Record<string, any>} Props  An attribute, a listener as onclick, or a style as an object. */

/**
 * @param {Element} element
 * @param {Props} props
 * @param {(Child | Child[])[]} children
 */
function filled(element, props, children) {
  for (const [name, value] of Object.entries(props ?? {})) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    // The security policy forbids style attributes in markup; properties set by our own code are allowed.
    else if (name === "style") for (const [key, one] of Object.entries(value)) /** @type {any} */ (element).style.setProperty(key, one);
    else element.setAttribute(name, value === true ? "" : String(value));
  }
  for (const child of children.flat()) {
    if (child !== null && child !== undefined && child !== false) element.append(child instanceof Node ? child : String(child));
  }
  return element;
}

/** @param {string} tag @param {Props} [props] @param {...(Child | Child[])} children @returns {HTMLElement} */
export function h(tag, props = {}, ...children) {
  return /** @type {HTMLElement} */ (filled(document.createElement(tag), props, children));
}

/** @param {string} tag @param {Props} [props] @param {...(Child | Child[])} children @returns {SVGElement} */
export function svg(tag, props = {}, ...children) {
  return /** @type {SVGElement} */ (filled(document.createElementNS("http://www.w3.org/2000/svg", tag), props, children));
}

/**
 * A button that does something and says when it cannot.
 * @param {string} words
 * @param {() => unknown} act
 * @param {Props} [props]
 */
export function button(words, act, props = {}) {
  return h("button", { type: "button", onclick: () => act(), ...props }, words);
}
