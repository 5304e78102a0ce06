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
