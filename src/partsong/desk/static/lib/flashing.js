// What stands before pictures that flash, or of which nobody knows: a curtain with the caution, and a button to lift it.
import { button, h } from "./dom.js";

/** @typedef {{state: "safe" | "fails" | "unknown", sentence: string}} Flashing */

export const CAUTION = "Flashing pictures can cause seizures in people with photosensitive epilepsy. Look away at once if you feel unwell.";

/**
 * @param {string} why  In a sentence.
 * @param {string} words  What lifting it does.
 * @param {() => unknown} lift
 */
export function curtain(why, words, lift) {
  return h("div", { class: "curtain" }, h("p", {}, `${why} ${CAUTION}`), button(words, lift, { class: "watch" }));
}
