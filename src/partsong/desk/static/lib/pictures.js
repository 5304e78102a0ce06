// Pictures that take the server a while, asked for a few at a time: a browser opens only six connections to one place,
// and the page's own questions must not wait behind pictures.
import { h } from "./dom.js";

const AT_ONCE = 2;
/** @type {{picture: HTMLImageElement, src: string}[]} */
const waiting = [];
/** @type {Set<string>} */
const loaded = new Set();
let running = 0;

/** @param {string} src @param {import("./dom.js").Props} [props] @returns {HTMLImageElement} */
export function later(src, props = {}) {
  const picture = /** @type {HTMLImageElement} */ (h("img", { alt: "", ...props }));
  if (loaded.has(src)) picture.src = src;
  else {
    waiting.push({ picture, src });
    setTimeout(next); // by then it stands on the page
  }
  return picture;
}

/** Put words in the place of a picture that does not come. @param {HTMLElement} picture @param {string} words @param {import("./dom.js").Props} [props] */
export function orWords(picture, words, props = {}) {
  picture.addEventListener("error", () => picture.replaceWith(h("span", { class: "no-picture", ...props }, words)));
}

function next() {
  while (running < AT_ONCE && waiting.length) {
    const one = /** @type {{picture: HTMLImageElement, src: string}} */ (waiting.shift());
    if (!one.picture.isConnected) continue; // the page was turned or drawn anew meanwhile
    running += 1;
    const ended = (/** @type {boolean} */ well) => {
      running -= 1;
      if (well) loaded.add(one.src);
      next();
    };
    one.picture.addEventListener("load", () => ended(true), { once: true });
    one.picture.addEventListener("error", () => ended(false), { once: true });
    one.picture.src = one.src;
  }
}
