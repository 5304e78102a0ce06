// A place in the song: a slider over its frames, with the bar, the time and the frame in words.
import { h } from "./dom.js";
import { clock } from "./words.js";

/** @typedef {{rate_num: number, rate_den: number, frames: number, bars: number[]}} Song */

/** @param {Song} song @param {number} frame */
export function placeInWords({ bars, rate_num, rate_den }, frame) {
  const bar = barAt(bars, frame);
  return `${bar >= 0 ? `Bar ${bar + 1}, ` : ""}${clock((frame * rate_den) / rate_num)}, frame ${frame}`;
}

/** The number of the bar in which a frame lies, from 0; -1 before the first. @param {number[]} bars @param {number} frame */
export function barAt(bars, frame) {
  return bars.findLastIndex((first) => first <= frame);
}

/** Where a key takes the place in the song: a frame, or with Shift a bar; null for other keys. @param {KeyboardEvent} event @param {Song} song @param {number} frame */
export function steppedBy(event, song, frame) {
  const by = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
  if (!by) return null;
  if (!event.shiftKey) return Math.max(0, Math.min(song.frames - 1, frame + by));
  const next = by > 0 ? song.bars.find((first) => first > frame) : song.bars.findLast((first) => first < frame);
  return next ?? frame;
}

/**
 * The slider and its words. `tell` is called while it moves.
 * @param {string} id
 * @param {(frame: number) => unknown} tell
 */
export function songSlider(id, tell) {
  const slider = /** @type {HTMLInputElement} */ (h("input", { type: "range", id, min: 0, step: 1, "aria-label": "Place in the song" }));
  const words = h("output", { for: id, class: "small" });
  slider.addEventListener("input", () => tell(Number(slider.value)));
  return {
    slider, words,
    /** @param {Song} song @param {number} frame */
    show(song, frame) {
      slider.max = String(Math.max(0, song.frames - 1));
      slider.value = String(frame);
      const told = placeInWords(song, frame);
      words.textContent = told;
      slider.setAttribute("aria-valuetext", told);
    },
  };
}
