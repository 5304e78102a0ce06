// Fields that a person sets by hand or key: each sends its value once a moment after the last change, and is filled anew
// from the film unless a change of it is still on its way.
import { h } from "./dom.js";

const PAUSE_MS = 250; // arrow keys pressed one after the other make one change

/** @typedef {{element: HTMLElement, fill: (value: any) => void, flush: () => void}} Field */

/**
 * A number under its label.
 * @param {string} label
 * @param {{id: string, step: number, min?: number, max?: number, digits?: number, unit?: string, hidden?: boolean}} how  `hidden`: the label is there for who does not see the table it stands in.
 * @param {(value: number) => unknown} send
 * @returns {Field}
 */
export function number(label, { id, step, min, max, digits = 3, unit, hidden = false }, send) {
  const input = /** @type {HTMLInputElement} */ (h("input", { type: "number", id, step, min, max, "aria-label": hidden && label }));
  let sent = "";
  let waiting = 0;
  const flush = () => {
    clearTimeout(waiting);
    waiting = 0;
    if (input.value === sent) return;
    if (input.value === "" || !input.checkValidity() && !input.validity.stepMismatch) {
      input.reportValidity();
      return;
    }
    sent = input.value;
    send(Number(input.value));
  };
  input.addEventListener("change", () => {
    clearTimeout(waiting);
    waiting = setTimeout(flush, PAUSE_MS);
  });
  input.addEventListener("blur", flush);
  input.addEventListener("keydown", (event) => {
    if (event.key === "Enter" || event.key.toLowerCase() === "u") flush(); // undo takes back what was typed here
  });
  const inside = hidden ? [input] : [h("label", { for: id }, label), " ", input, unit && ` ${unit}`];
  return {
    element: h("span", { class: "field" }, ...inside),
    fill(/** @type {number} */ value) {
      if (waiting || (document.activeElement === input && input.value !== sent)) return; // it is being typed
      sent = input.value = String(Number(value.toFixed(digits)));
    },
    flush,
  };
}

/**
 * A choice from a list under its label; `fill` is given the values, each with its words, and the chosen one.
 * @param {string} label
 * @param {string} id
 * @param {(value: string) => unknown} send
 */
export function choice(label, id, send) {
  const select = /** @type {HTMLSelectElement} */ (h("select", { id }));
  select.addEventListener("change", () => send(select.value));
  return {
    element: h("span", { class: "field" }, h("label", { for: id }, label), " ", select),
    select,
    /** @param {(string | [string, string])[]} values @param {string} chosen */
    fill(values, chosen) {
      const pairs = values.map((one) => (typeof one === "string" ? [one, one] : one));
      const now = JSON.stringify(pairs);
      if (select.dataset.values !== now) {
        select.replaceChildren(...pairs.map(([value, words]) => h("option", { value }, words)));
        select.dataset.values = now;
      }
      select.value = chosen;
    },
  };
}
