// Effects as render/effects and film/effects define them: how far the light dips, what leaks in, what is shown again; and
// the layers over a played picture that show them.
import { h } from "./dom.js";

/** @typedef {{kind: "flicker", start: number, end: number, dips: number[], depth_stops: number}} Flicker */
/** @typedef {{kind: "stutter", start: number, end: number, again: number[]}} Stutter */
/** @typedef {{kind: "leak", start: number, end: number, side: "left" | "right" | "top" | "bottom", at: number, reach: number, colour: number[]}} Leak */
/** @typedef {Flicker | Stutter | Leak} Effect */

const DISPLAY_GAMMA = 2.4; // ITU-R BT.1886
const STEPS = 24; // of a gradient, from a leak's centre outwards

/** How many stops the light is down at a frame. @param {Flicker} flicker @param {number} frame */
export function dip(flicker, frame) {
  const behind = flicker.dips.findLast((one) => one <= frame);
  if (behind === undefined || frame >= flicker.end) return 0;
  const ahead = flicker.dips.find((one) => one > frame) ?? flicker.end;
  return flicker.depth_stops * Math.max(0, 1 - ((frame - behind) * 2) / (ahead - behind));
}

/** What the signal is multiplied by. @param {Effect[]} effects @param {number} frame */
export function dimmed(effects, frame) {
  const stops = effects.reduce((sum, one) => sum + (one.kind === "flicker" ? dip(one, frame) : 0), 0);
  return 2 ** (-stops / DISPLAY_GAMMA);
}

/** How bright a leak is, 0 to 1. @param {Leak} leak @param {number} frame */
export function brightness(leak, frame) {
  if (frame < leak.start || frame >= leak.end) return 0;
  return Math.sin((Math.PI * (frame - leak.start + 0.5)) / (leak.end - leak.start)) ** 2;
}

/** Which frame's picture is shown. @param {Effect[]} effects @param {number} frame */
export function shownAt(effects, frame) {
  for (const one of effects) {
    if (one.kind !== "stutter" || frame < one.start || frame >= one.end) continue;
    return one.start + frame - (one.again.findLast((again) => again <= frame) ?? one.start);
  }
  return frame;
}

/** A leak's light as a gradient. @param {Leak} leak @param {number} share @param {number} width @param {number} height  Of the picture, in pixels. */
function gradient(leak, share, width, height) {
  const x = { left: 0, right: width, top: leak.at * width, bottom: leak.at * width }[leak.side];
  const y = { top: 0, bottom: height, left: leak.at * height, right: leak.at * height }[leak.side];
  const stops = Array.from({ length: STEPS + 1 }, (_, step) => {
    const light = share * (1 - step / STEPS) ** 2;
    return `rgb(${leak.colour.map((one) => (255 * one * light).toFixed(2)).join(" ")}) ${((100 * step) / STEPS).toFixed(2)}%`;
  });
  return `radial-gradient(circle ${leak.reach * width}px at ${x}px ${y}px, ${stops.join(", ")})`;
}

/**
 * Layers over the canvas of a playing cut.
 * @param {HTMLCanvasElement} canvas
 */
export function effectLayers(canvas) {
  const again = /** @type {HTMLCanvasElement} */ (h("canvas", { class: "again", "aria-hidden": "true", hidden: true }));
  const dark = h("div", { class: "dark", "aria-hidden": "true" });
  const light = h("div", { class: "light", "aria-hidden": "true" });
  /** Pictures that a stutter shows again, by their frame. @type {Map<number, HTMLCanvasElement>} */
  const kept = new Map();

  /** @param {HTMLCanvasElement} from @param {HTMLCanvasElement} to */
  function copied(from, to) {
    if (to.width !== from.width || to.height !== from.height) [to.width, to.height] = [from.width, from.height];
    /** @type {CanvasRenderingContext2D} */ (to.getContext("2d")).drawImage(from, 0, 0);
    return to;
  }

  /** @param {Effect[]} effects @param {number} frame */
  function repeat(effects, frame) {
    const stutter = effects.find((one) => one.kind === "stutter" && one.start <= frame && frame < one.end);
    again.hidden = true;
    if (!stutter) return kept.clear();
    const shown = shownAt(effects, frame);
    if (shown === frame) return void kept.set(frame, copied(canvas, document.createElement("canvas")));
    // One that was late is missing: the one before it stands in.
    const nearest = [...kept.keys()].filter((one) => one <= shown && one >= stutter.start).sort((a, b) => b - a)[0];
    const picture = kept.get(nearest);
    if (!picture) return undefined;
    copied(picture, again);
    again.hidden = false;
    return undefined;
  }

  return {
    elements: [again, dark, light],
    /** Lay the effects of a frame over what the canvas shows of it. @param {Effect[]} effects @param {number} frame */
    lay(effects, frame) {
      repeat(effects, frame);
      dark.style.opacity = String(1 - dimmed(effects, frame));
      const { clientWidth, clientHeight } = canvas;
      const leaks = effects.flatMap((one) => (one.kind === "leak" && brightness(one, frame) ? [gradient(one, brightness(one, frame), clientWidth, clientHeight)] : []));
      light.replaceChildren(...leaks.map((background) => h("div", { style: { background } })));
    },
  };
}
