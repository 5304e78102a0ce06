// What can hurt people on such a day: each danger with what to do and its source, and whose rules come first.
import { h } from "./dom.js";

/** @typedef {{title: string, text: string, source: string}} Caution */

/** @param {Caution[]} cautions @param {string} rules */
export function cautionList(cautions, rules) {
  return [
    ...cautions.map((one) => h("div", { class: "caution" },
      h("p", {}, h("strong", {}, one.title), ` ${one.text}`), h("p", { class: "small" }, one.source))),
    h("p", {}, rules),
  ];
}
