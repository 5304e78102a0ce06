// What was found on a take, drawn where it is: a box around it, a dashed one where it stood, and an arrow the way it moved.
import { svg } from "./dom.js";

/** @typedef {{x: number, y: number, width: number, height: number}} Box  As shares of the picture. */
/** @typedef {{sentence: string, advice: string, verdict: string, when: string, size: string, box: Box | null, was: Box | null, moved: [number, number] | null, picture: string}} Finding */

const LEAST_ARROW = 0.07; // of the picture's width: moves of a pixel or two would not be seen

/**
 * Boxes and arrows over a picture. Arrows tell the way; a short one is drawn longer than the move was.
 * @param {Finding[]} findings @param {number} width @param {number} height  Of the take's frame, in pixels.
 */
export function marksOf(findings, width, height) {
  const thick = width / 320;
  return svg("svg", { class: "marks", viewBox: `0 0 ${width} ${height}`, "aria-hidden": "true" },
    findings.flatMap((found) => [
      found.was && twice("rect", { x: found.was.x * width, y: found.was.y * height, width: found.was.width * width, height: found.was.height * height, "stroke-dasharray": `${3 * thick} ${3 * thick}` }, thick),
      found.box && twice("rect", { x: found.box.x * width, y: found.box.y * height, width: found.box.width * width, height: found.box.height * height }, thick),
      found.moved && arrow(found.moved, found.box ?? { x: 0, y: 0, width: 1, height: 1 }, width, height, thick),
    ].filter(Boolean)));
}

/** Light on dark, so that it shows on any picture. @param {string} tag @param {Record<string, unknown>} props @param {number} thick */
function twice(tag, props, thick) {
  return svg("g", {}, svg(tag, { ...props, class: "under", "stroke-width": 3 * thick }), svg(tag, { ...props, class: "over", "stroke-width": thick }));
}

/** @param {[number, number]} moved @param {Box} box @param {number} width @param {number} height @param {number} thick */
function arrow([right, down], box, width, height, thick) {
  const long = Math.hypot(right, down);
  if (!long) return null;
  const drawn = Math.max(long, LEAST_ARROW * width);
  const [along, across] = [right / long, down / long];
  // It ends where the thing is now, and begins where it came from.
  const [x, y] = [(box.x + box.width / 2) * width, (box.y + box.height / 2) * height];
  const [from_x, from_y] = [x - along * drawn, y - across * drawn];
  const head = 5 * thick;
  const wing = (/** @type {number} */ side) => `${x - head * (along - side * across)} ${y - head * (across + side * along)}`;
  return twice("path", { d: `M${from_x} ${from_y}L${x} ${y}M${wing(1)}L${x} ${y}L${wing(-1)}`, "stroke-linecap": "round", "stroke-linejoin": "round" }, thick);
}
