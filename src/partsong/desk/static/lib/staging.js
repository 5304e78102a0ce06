// The stage from above under the hand: spots and lamps are dragged or pushed with arrow keys; numbers say the same.
import { h } from "./dom.js";

/** @typedef {{kind: "spots" | "lamps", id: string, x_m: number, y_m: number}} Thing  A spot or a lamp, where it stands. */

const STEP_M = 0.1;
const FAR_STEP_M = 0.5;
/** @type {Record<string, [number, number]>} */
const WAYS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };

/** A picture that the server drew. @param {string} text @returns {SVGSVGElement} */
export function picture(text) {
  const read = new DOMParser().parseFromString(text, "image/svg+xml");
  return /** @type {SVGSVGElement} */ (/** @type {unknown} */ (document.importNode(read.documentElement, true)));
}

/**
 * Let what stands on the stage be moved; each move is told once, when the hand or the key lets go.
 * @param {SVGSVGElement} stage  As the server drew it.
 * @param {Thing[]} things
 * @param {(thing: Thing) => string} named  What a thing is called, and where it stands.
 * @param {(thing: Thing) => unknown} moved
 */
export function movable(stage, things, named, moved) {
  const scale = Number(stage.dataset.scale);
  stage.setAttribute("role", "group");
  for (const thing of things) {
    const group = /** @type {SVGGElement | null} */ (stage.querySelector(thing.kind === "spots" ? `[data-spot="${CSS.escape(thing.id)}"]` : `[data-lamp="${CSS.escape(thing.id)}"]`));
    if (!group) continue;
    let now = { ...thing };
    const held = () => group.setAttribute("transform", `translate(${(now.x_m - thing.x_m) * scale} ${(thing.y_m - now.y_m) * scale})`);
    const done = () => {
      if (now.x_m !== thing.x_m || now.y_m !== thing.y_m) void moved(now);
    };
    group.setAttribute("class", "movable");
    group.setAttribute("tabindex", "0");
    group.setAttribute("role", "button");
    group.setAttribute("id", `${thing.kind}-${thing.id}`);
    group.setAttribute("aria-label", named(thing));
    group.addEventListener("keydown", (event) => {
      const way = WAYS[event.key];
      if (!way || event.ctrlKey || event.altKey || event.metaKey) return;
      event.preventDefault();
      event.stopPropagation();
      const step = event.shiftKey ? FAR_STEP_M : STEP_M;
      now = { ...now, x_m: rounded(now.x_m + way[0] * step), y_m: rounded(now.y_m + way[1] * step) };
      held();
    });
    group.addEventListener("keyup", (event) => {
      if (WAYS[event.key]) done();
    });
    group.addEventListener("pointerdown", (down) => {
      if (down.button !== 0) return;
      down.preventDefault();
      group.focus();
      group.setPointerCapture(down.pointerId);
      const perPixel = stage.viewBox.baseVal.width / stage.getBoundingClientRect().width / scale;
      const follow = (/** @type {PointerEvent} */ event) => {
        now = { ...thing, x_m: rounded(thing.x_m + (event.clientX - down.clientX) * perPixel), y_m: rounded(thing.y_m - (event.clientY - down.clientY) * perPixel) };
        held();
      };
      const ended = () => {
        group.removeEventListener("pointermove", follow);
        group.removeEventListener("pointerup", ended);
        group.removeEventListener("pointercancel", ended);
        done();
      };
      group.addEventListener("pointermove", follow);
      group.addEventListener("pointerup", ended);
      group.addEventListener("pointercancel", ended);
    });
  }
}

/** What there is to say of a plan. @param {{sentence: string, decide: boolean}[]} said */
export function sentences(said) {
  return h("ul", { class: "said" }, said.map((one) => h("li", { class: one.decide ? "decide" : "" }, one.sentence)));
}

/** To centimetres. @param {number} metres */
function rounded(metres) {
  return Math.round(metres * 100) / 100;
}
