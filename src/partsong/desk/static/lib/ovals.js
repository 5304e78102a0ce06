// Ovals on the frame: how they are drawn, and what a hand or a key makes of them. Pixels of the film, degrees clockwise.
import { svg } from "./dom.js";

/** @typedef {{x: number, y: number, rx: number, ry: number, rotation_deg: number}} Oval */
/** @typedef {{x: number, y: number}} Point */

const LEAST_PX = 2;

/** @param {Oval} oval @param {number} feather_px */
export function ovalInWords(oval, feather_px) {
  const [x, y, rx, ry, turn, soft] = [oval.x, oval.y, oval.rx, oval.ry, oval.rotation_deg, feather_px].map(Math.round);
  return `Centre ${x}, ${y}; ${2 * rx} wide, ${2 * ry} high${turn ? `, turned ${turn}°` : ""}; soft over ${soft}.`;
}

/** The line at which a take is half there, and where it begins and ends to show. @param {Oval} oval @param {number} feather_px */
export function ovalShapes({ rx, ry }, feather_px) {
  const half = feather_px / 2;
  const ring = (/** @type {string} */ name, /** @type {number} */ by) =>
    svg("ellipse", { class: name, rx: Math.max(0.1, rx + by), ry: Math.max(0.1, ry + by) });
  return [ring("under-line", 0), ring("line", 0), ring("soft-line", half), ring("soft-line", -half), ring("grip", 0)];
}

/** @param {Oval} oval @param {number} size */
export function handles({ rx, ry }, size) {
  const knob = (/** @type {string} */ name, /** @type {number} */ x, /** @type {number} */ y) =>
    name === "turn" ? svg("circle", { class: "handle", "data-handle": name, cx: x, cy: y, r: size })
      : svg("rect", { class: "handle", "data-handle": name, x: x - size, y: y - size, width: 2 * size, height: 2 * size });
  return [
    svg("path", { class: "line", d: `M0 ${-ry}V${-ry - 4 * size}` }),
    knob("turn", 0, -ry - 4 * size), knob("wide", rx, 0), knob("wide", -rx, 0), knob("high", 0, ry),
  ];
}

/** @param {Oval} begun @param {string} part  What was taken hold of: move, turn, wide or high. @param {Point} from @param {Point} to @returns {Oval} */
export function moved(begun, part, from, to) {
  if (part === "move") return { ...begun, x: begun.x + to.x - from.x, y: begun.y + to.y - from.y };
  const [right, down] = [to.x - begun.x, to.y - begun.y];
  if (part === "turn") {
    const turn = (Math.atan2(right, -down) * 180) / Math.PI;
    return { ...begun, rotation_deg: Math.round(turn * 10) / 10 };
  }
  const turn = (begun.rotation_deg * Math.PI) / 180;
  if (part === "wide") return { ...begun, rx: Math.max(LEAST_PX, Math.abs(right * Math.cos(turn) + down * Math.sin(turn))) };
  return { ...begun, ry: Math.max(LEAST_PX, Math.abs(-right * Math.sin(turn) + down * Math.cos(turn))) };
}

/** What a key makes of an oval, or null. @param {Oval} oval @param {KeyboardEvent} event @param {number} step @returns {Oval | null} */
export function steered(oval, event, step) {
  const across = { ArrowLeft: -1, ArrowRight: 1 }[event.key] ?? 0;
  const down = { ArrowUp: -1, ArrowDown: 1 }[event.key] ?? 0;
  if (!across && !down) return null;
  if (event.ctrlKey) return across ? { ...oval, rotation_deg: oval.rotation_deg + 2 * across } : null;
  if (event.shiftKey) return { ...oval, rx: Math.max(LEAST_PX, oval.rx + step * across), ry: Math.max(LEAST_PX, oval.ry - step * down) };
  return { ...oval, x: oval.x + step * across, y: oval.y + step * down };
}
