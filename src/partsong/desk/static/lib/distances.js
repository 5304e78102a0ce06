// How far the points of a frame lie from a closed curve, for masks that are curves: below 0 inside. Pure.
import { outline } from "./masks.js";

/** @typedef {import("./ovals.js").Point} Point */
/** @typedef {{across: number, down: number, step_px: number, values: Float32Array<ArrayBuffer>}} Field  `step_px` lies between neighbours, at most. */

const ACROSS = 320; // points at most: a distance changes evenly but at corners, so that few points tell it
const BLOCK = 8; // points that share the sides that can be nearest to them

/**
 * Distances at points that lie evenly from the middle of the first pixel to that of the last.
 * @param {Point[]} points  Of the curve. @param {number} width @param {number} height  Of the frame. @returns {Field}
 */
export function fieldOf(points, width, height) {
  const across = Math.min(ACROSS, width);
  const down = Math.max(2, Math.round((across * height) / width));
  const [wide, high] = [(width - 1) / (across - 1), (height - 1) / (down - 1)];
  const ring = outline(points);
  const sides = ring.map((from, number) => {
    const to = ring[(number + 1) % ring.length];
    const [right, below] = [to.x - from.x, to.y - from.y];
    return { x: from.x, y: from.y, right, below, per: 1 / Math.max(right * right + below * below, 1e-12) };
  });
  const squared = (/** @type {typeof sides[0]} */ side, /** @type {number} */ x, /** @type {number} */ y) => {
    const [right, below] = [x - side.x, y - side.y];
    const along = Math.min(1, Math.max(0, (right * side.right + below * side.below) * side.per));
    return (right - along * side.right) ** 2 + (below - along * side.below) ** 2;
  };
  const values = new Float32Array(across * down);
  const radius = (BLOCK / 2) * Math.hypot(wide, high);
  for (let top = 0; top < down; top += BLOCK) {
    for (let left = 0; left < across; left += BLOCK) {
      const away = sides.map((side) => Math.sqrt(squared(side, (left + BLOCK / 2) * wide, (top + BLOCK / 2) * high)));
      const least = Math.min(...away);
      const near = sides.filter((_, number) => away[number] <= least + 2 * radius);
      for (let row = top; row < Math.min(down, top + BLOCK); row += 1) {
        for (let column = left; column < Math.min(across, left + BLOCK); column += 1) {
          let nearest = Infinity;
          for (const side of near) nearest = Math.min(nearest, squared(side, column * wide, row * high));
          values[row * across + column] = Math.sqrt(nearest);
        }
      }
    }
  }
  for (let row = 0; row < down; row += 1) {
    // Sides that cross a row divide it into outside and inside by turns.
    const y = row * high;
    const crossings = sides.filter((side) => side.y > y !== side.y + side.below > y).map((side) => side.x + ((y - side.y) * side.right) / side.below).sort((a, b) => a - b);
    for (let column = 0, passed = 0; column < across; column += 1) {
      while (passed < crossings.length && crossings[passed] <= column * wide) passed += 1;
      if (passed % 2) values[row * across + column] *= -1;
    }
  }
  return { across, down, step_px: Math.hypot(wide, high), values };
}
