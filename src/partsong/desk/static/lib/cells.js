// The frame in cells, each with the layers that can be seen in it: a cell touches one or two layers, however many there
// are. What is told here is on the safe side: a layer named may have no weight, one left out certainly has none.

import { fieldOf } from "./distances.js";

/** @typedef {import("../preview.js").Layer} Layer */

/** Not seen in this cell, seen in part of it, or all that is to be seen of it. */
const [NONE, SOME, ALL] = [0, 1, 2];
const ACROSS = 48; // cells; a cell of a 16:9 frame is nearly square with 27 down
const MARGIN_PX = 0.5; // of rounding, in pixels of the film

const MOST_FIELDS = 32;
/** @type {Map<string, import("./distances.js").Field>} */
const fields = new Map();

/** @typedef {{across: number, down: number}} Grid */

/** The distances from a curve; those of the latest ones are kept. @param {import("./ovals.js").Point[]} curve @param {number} width @param {number} height */
export function fieldFor(curve, width, height) {
  const key = JSON.stringify([curve, width, height]);
  const field = fields.get(key) ?? fieldOf(curve, width, height);
  fields.delete(key);
  fields.set(key, field);
  if (fields.size > MOST_FIELDS) fields.delete(/** @type {string} */ (fields.keys().next().value));
  return field;
}

/** @param {number} width @param {number} height @returns {Grid} */
export function gridOf(width, height) {
  return { across: ACROSS, down: Math.max(1, Math.round((ACROSS * height) / width)) };
}

/**
 * How much of each cell a layer can have: 0 nothing, 1 some, 2 all, rows from the top.
 * @param {Layer} layer @param {Grid} grid @param {number} width @param {number} height  Of the film.
 * @returns {Uint8Array}
 */
export function reach(layer, { across, down }, width, height) {
  const cells = new Uint8Array(across * down);
  if (layer.opacity === 0) return cells;
  const seen = layer.opacity === 1 ? ALL : SOME;
  if ((!layer.oval && !layer.curve) || layer.fills === 1) return cells.fill(seen);
  const half = layer.feather_px / 2;
  const none = layer.fills > 0 ? SOME : NONE;
  const [wide, high] = [width / across, height / down];
  const off = Math.hypot(wide, high) / 2 + MARGIN_PX; // how far a pixel lies from its cell's middle, at most
  if (layer.curve) {
    const field = fieldFor(layer.curve, width, height);
    for (let cell = 0; cell < cells.length; cell += 1) {
      const column = Math.round((((cell % across) + 0.5) / across) * (field.across - 1));
      const row = Math.round(((Math.floor(cell / across) + 0.5) / down) * (field.down - 1));
      const distance = field.values[row * field.across + column];
      const more = off + field.step_px; // a distance changes by no more than one goes
      cells[cell] = distance - more >= half ? none : distance + more <= -half ? seen : SOME;
    }
    return cells;
  }
  const { x, y, rx, ry, rotation_deg } = /** @type {import("./ovals.js").Oval} */ (layer.oval);
  const turn = (rotation_deg * Math.PI) / 180;
  const [cos, sin] = [Math.cos(turn), Math.sin(turn)];
  const least = Math.min(rx, ry);
  for (let row = 0; row < down; row += 1) {
    for (let column = 0; column < across; column += 1) {
      const right = (column + 0.5) * wide - 0.5 - x;
      const below = (row + 0.5) * high - 0.5 - y;
      // The oval's distance is (q - 1) R: q is 1 on its line and changes by at most 1 / least a pixel, and R lies
      // between the radii.
      const q = Math.hypot((right * cos + below * sin) / rx, (below * cos - right * sin) / ry);
      const [nearest, farthest] = [q - off / least, q + off / least];
      if ((nearest - 1) * least >= half) cells[row * across + column] = none;
      else cells[row * across + column] = (1 - farthest) * least >= half ? seen : SOME;
    }
  }
  return cells;
}

/**
 * The layers of each cell, as bits: those that can be seen, from the top down to the first that hides the rest.
 * @param {Uint8Array[]} reaches  Of all layers, from the bottom up; where there are none, all cells are black. @param {Grid} grid @returns {Uint16Array}
 */
export function setsOf(reaches, { across, down }) {
  const sets = new Uint16Array(across * down);
  for (let cell = 0; cell < sets.length; cell += 1) {
    for (let layer = reaches.length - 1; layer >= 0; layer -= 1) {
      const seen = layer === 0 ? ALL : reaches[layer][cell]; // the lowest fills the frame
      if (seen !== NONE) sets[cell] |= 1 << layer;
      if (seen === ALL) break;
    }
  }
  return sets;
}

/**
 * The cells that one set of layers is drawn in, as strips: column, row, columns.
 * @param {Uint16Array} sets @param {Uint8Array} wanted  Which cells. @param {Grid} grid
 * @returns {Map<number, number[]>}
 */
export function stripsOf(sets, wanted, { across, down }) {
  /** @type {Map<number, number[]>} */
  const strips = new Map();
  for (let row = 0; row < down; row += 1) {
    for (let column = 0; column < across; ) {
      const cell = row * across + column;
      let end = column + 1;
      while (end < across && sets[row * across + end] === sets[cell] && wanted[row * across + end] === wanted[cell]) end += 1;
      if (wanted[cell]) {
        const had = strips.get(sets[cell]) ?? [];
        had.push(column, row, end - column);
        strips.set(sets[cell], had);
      }
      column = end;
    }
  }
  return strips;
}

/**
 * The cells that look otherwise when a layer reaches elsewhere: where it is seen, before or after, but not all of both.
 * @param {{sets: Uint16Array, reach: Uint8Array}} before @param {{sets: Uint16Array, reach: Uint8Array}} after
 * @param {number} layer  Its number. @param {Uint8Array} wanted  Filled with 1 there; what is 1 stays so.
 */
export function touched(before, after, layer, wanted) {
  for (let cell = 0; cell < wanted.length; cell += 1) {
    const seen = ((before.sets[cell] | after.sets[cell]) >> layer) & 1;
    if (seen && (before.reach[cell] !== ALL || after.reach[cell] !== ALL)) wanted[cell] = 1;
  }
}
