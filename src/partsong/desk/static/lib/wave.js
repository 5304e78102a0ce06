// Draws waveforms as they stand on the song, and says how heavy the line under a take is.
import { svg } from "./dom.js";

const PEAKS_HZ = 1000;

/** @type {Record<string, {name: string, px: number, dash: string}>} */
const WEIGHTS = {
  sure: { name: "sure", px: 4, dash: "none" },
  likely: { name: "likely", px: 1.8, dash: "none" },
  ask: { name: "ask", px: 1.8, dash: "5 4" },
  none: { name: "none", px: 0, dash: "none" },
};

/** Confidence as the weight of the line under a take. @param {string} confidence */
export function weightOf(confidence) {
  return WEIGHTS[confidence];
}

/**
 * @param {Uint8Array | undefined} heights  One each millisecond of the clip.
 * @param {{from: number, span: number, start: number, stretch: number, wide: number, middle: number, high: number}} view
 *   Song time at the left edge and across; where the clip's sound begins and how it is stretched; all lengths in pixels.
 */
export function drawWave(heights, { from, span, start, stretch, wide, middle, high }) {
  if (!heights) return svg("g");
  /** @type {string[]} */
  const above = [];
  /** @type {string[]} */
  const below = [];
  const media = (/** @type {number} */ px) => (((from + (px / wide) * span - start) / stretch) * PEAKS_HZ);
  for (let px = 0; px < wide; px += 1) {
    const first = Math.floor(media(px));
    const stop = Math.max(first + 1, Math.floor(media(px + 1)));
    if (stop <= 0 || first >= heights.length) continue;
    let highest = 0;
    for (let at = Math.max(0, first); at < Math.min(stop, heights.length); at += 1) if (heights[at] > highest) highest = heights[at];
    const reach = Math.max(0.3, (highest / 255) * high);
    above.push(`${px} ${(middle - reach).toFixed(1)}`);
    below.push(`${px} ${(middle + reach).toFixed(1)}`);
  }
  return svg("path", { class: "wave", d: above.length ? `M${above.join("L")}L${below.reverse().join("L")}Z` : "M0 0" });
}

const STARTS_HZ = 200;

/**
 * How strongly notes start, as hills on a line: above it, or hanging below it.
 * @param {Uint8Array | undefined} heights  200 a second of the clip.
 * @param {{from: number, span: number, start: number, stretch: number, wide: number, middle: number, high: number}} view  As for waveforms; `high` is negative for what hangs.
 */
export function drawStarts(heights, { from, span, start, stretch, wide, middle, high }) {
  if (!heights) return svg("g");
  const x = (/** @type {number} */ at) => ((start + (at / STARTS_HZ) * stretch - from) / span) * wide;
  const first = Math.max(0, Math.floor(((from - start) / stretch) * STARTS_HZ) - 1);
  const stop = Math.min(heights.length, Math.ceil(((from + span - start) / stretch) * STARTS_HZ) + 2);
  if (stop - first < 2) return svg("g");
  const hills = [];
  for (let at = first; at < stop; at += 1) hills.push(`${x(at).toFixed(1)} ${(middle - (heights[at] / 255) * high).toFixed(1)}`);
  return svg("path", { class: "wave", d: `M${x(first).toFixed(1)} ${middle}L${hills.join("L")}L${x(stop - 1).toFixed(1)} ${middle}Z` });
}

/** When notes clearly start, in seconds of the clip. @param {Uint8Array | undefined} heights */
export function clearStarts(heights) {
  /** @type {number[]} */
  const found = [];
  for (let at = 1; heights && at < heights.length - 1; at += 1) {
    const top = heights[at] >= 90 && heights[at] >= heights[at - 1] && heights[at] > heights[at + 1];
    if (top && (!found.length || at - found[found.length - 1] > 0.06 * STARTS_HZ)) found.push(at);
  }
  return found.map((at) => at / STARTS_HZ);
}
