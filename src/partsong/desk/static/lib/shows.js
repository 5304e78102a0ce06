// What shows on the stage: seams with their size, players who cross their masks' edges, patches. Marks and lists of them.
import { button, h, svg } from "./dom.js";
import { outline, pathOf } from "./masks.js";
import { counted } from "./words.js";

/** @typedef {[number, number][]} Line */
/** @typedef {{parts: [string, string], frame: number, times: number, step_percent: number, sentence: string, lines: Line[]}} Seam */
/** @typedef {{take: string, part: string, frame: number, box: [number, number, number, number], mends: boolean, sentence: string}} Crossing */
/** @typedef {{number: number, source: string, shape: import("./masks.js").Shape, feather_px: number, start: number | null, end: number | null, words: string}} Patch */
/** @typedef {{seams: Seam[] | null, seams_old: boolean, crossings: Crossing[] | null, crossings_old: boolean, patches: Patch[], sources: string[]}} Shows */

/** From how many times what is just seen a seam is called plain; the report's own figure. */
const PLAIN = 4;
/** From how many times as bright one take's light ends there; the report's own figure too. */
const ENDS = 2;

/** The seams that are drawn at a frame: those measured there, else each pair's worst. @param {Seam[]} seams @param {number} frame */
export function seamsAt(seams, frame) {
  const here = seams.filter((seam) => seam.frame === frame);
  return here.length ? here : worstOf(seams);
}

/** Each pair's worst seam, the one that shows most first. @param {Seam[]} seams */
function worstOf(seams) {
  /** @type {Map<string, Seam>} */
  const worst = new Map();
  for (const seam of seams) {
    const pair = seam.parts.join("\n");
    if (seam.times > (worst.get(pair)?.times ?? -1)) worst.set(pair, seam);
  }
  return [...worst.values()].sort((a, b) => b.times - a.times);
}

/** A seam's size as the weight of its line: hair-thin and dotted where it is not seen. @param {Seam} seam */
function weightOf(seam) {
  if (seam.times < 1) return { width: 1.2, dash: "2 5" };
  if (ratioOf(seam) >= ENDS) return { width: 2.2, dash: "none" };
  return seam.times < PLAIN ? { width: 2.2, dash: "10 5" } : { width: 4.5, dash: "none" };
}

/** How many times as bright the brighter take is there. @param {Seam} seam */
function ratioOf(seam) {
  const step = Math.abs(seam.step_percent);
  return (200 + step) / Math.max(200 - step, 1e-9);
}

/** @param {Seam[]} seams @param {number} size  Of letters, in pixels of the film. @param {number} level  Near which height the words stand, clear of the masks' names. @returns {SVGElement} */
export function seamMarks(seams, size, level) {
  return svg("g", { class: "seams", "aria-hidden": "true" }, seams.flatMap((seam) => {
    const { width, dash } = weightOf(seam);
    const d = seam.lines.map((line) => pathOf(line.map(([x, y]) => ({ x, y })), false)).join("");
    const point = seam.lines.flat().reduce((/** @type {[number, number] | null} */ best, one) => (best && Math.abs(best[1] - level) <= Math.abs(one[1] - level) ? best : one), null);
    return [
      svg("path", { class: "seam-under", d, "stroke-width": width + 2.2 }),
      svg("path", { class: "seam", d, "stroke-width": width, "stroke-dasharray": dash, "data-seam": seam.parts.join(" ") }),
      point && svg("text", { class: "oval-name", x: point[0], y: point[1], "font-size": size, "text-anchor": "middle" }, sizeInWords(seam)),
    ];
  }));
}

/** How a seam is seen, and the step, as the report's sentence has them. @param {Seam} seam */
function sizeInWords(seam) {
  const ratio = ratioOf(seam);
  if (seam.times < 1 || ratio < ENDS) return `${seam.times < 1 ? "not" : seam.times < PLAIN ? "just" : "plainly"} seen, ${Math.abs(seam.step_percent).toFixed(1)} %`;
  return `light ends, ${ratio > 100 ? "over 100" : ratio.toFixed(ratio < 10 ? 1 : 0)} : 1`;
}

/** @param {Crossing} crossing @param {number} size */
export function crossingMark({ box: [left, top, right, bottom], part }, size) {
  const place = { x: left, y: top, width: right - left, height: bottom - top };
  return svg("g", { class: "crossing", "aria-hidden": "true" },
    svg("rect", { class: "seam-under", ...place, "stroke-width": 4 }),
    svg("rect", { class: "seam", ...place, "stroke-width": 2, "data-crossing": part }),
    svg("text", { class: "oval-name", x: left, y: top - size / 3, "font-size": size }, `${part} is lost here`));
}

/** @param {Patch[]} patches @param {number} frame @param {number} size */
export function patchMarks(patches, frame, size) {
  const there = patches.filter((one) => (one.start ?? 0) <= frame && frame < (one.end ?? Infinity));
  return svg("g", { class: "patches", "aria-hidden": "true" }, there.flatMap(({ shape, number }) => {
    const [x, y] = shape.kind === "oval" ? [shape.x, shape.y] : [shape.points[0].x, shape.points[0].y];
    const drawn = shape.kind === "oval"
      ? svg("ellipse", { class: "patch", rx: shape.rx, ry: shape.ry, transform: `translate(${x} ${y}) rotate(${shape.rotation_deg})` })
      : svg("path", { class: "patch", d: pathOf(outline(shape.points)) });
    return [drawn, svg("text", { class: "oval-name", x, y, "font-size": size, "text-anchor": "middle" }, `Patch ${number}`)];
  }));
}

/**
 * The lists under the frame.
 * @param {Shows} shows
 * @param {{begin: (kind: string, path: string) => unknown, go: (frame: number, take?: string) => unknown, remove: (number: number) => unknown, progress: (kind: string) => HTMLElement}} acts
 * @param {Node} adding  What lays a new patch.
 */
export function showsLists(shows, acts, adding) {
  const old = (/** @type {boolean} */ yes) => yes && h("p", { class: "small decide" }, "The film was changed since; look again to be sure.");
  const seams = worstOf(shows.seams ?? []);
  return [
    h("section", { class: "shows" }, h("h2", {}, "Seams"),
      acts.progress("seams"),
      shows.seams === null ? h("p", {}, "Nobody has measured yet what shows where two takes meet.")
        : h("p", {}, seams.length ? `Takes meet in ${counted(seams.length, "place")}. Each is listed, and drawn on the frame, where it shows most; at frames that were measured, as it shows there.` : "No two takes meet in this picture."),
      old(shows.seams_old),
      h("div", { class: "tools" }, button(shows.seams === null ? "Make the seam report" : "Measure again", () => acts.begin("seams", "/api/stage/seams"), { id: "make-seams" })),
      h("ol", { class: "plain" }, seams.map((seam) => h("li", {},
        button("See", () => acts.go(seam.frame), { class: "finding", "aria-label": `See the seam ${seam.sentence}`, "data-go": seam.frame }), ` ${seam.sentence}`)))),
    h("section", { class: "shows" }, h("h2", {}, "Crossings"),
      acts.progress("crossings"),
      shows.crossings === null ? h("p", {}, "Nobody has looked yet for players who cross the edges of their masks.")
        : h("p", {}, shows.crossings.length ? "Where a player, or his shadow, crosses the edge of his mask:" : "Nobody crosses the edge of a mask."),
      old(shows.crossings_old),
      h("div", { class: "tools" },
        button(shows.crossings === null ? "Look for crossings" : "Look again", () => acts.begin("crossings", "/api/stage/crossings"), { id: "find-crossings" }),
        shows.crossings?.some((one) => one.mends) && button("Mend them, in one change", () => acts.begin("crossings", "/api/stage/mend"), { id: "mend" })),
      h("ol", { class: "plain" }, shows.crossings?.map((one) => h("li", {},
        button("See", () => acts.go(one.frame, one.take), { class: "finding", "aria-label": `See: ${one.sentence}` }), ` ${one.sentence}`)))),
    h("section", { class: "shows" }, h("h2", {}, "Patches"),
      acts.progress("patch"),
      !shows.patches.length && h("p", {}, "A patch covers a fault with the pixels of another take, or of a plate, matched to what lies around it."),
      h("ol", { class: "plain" }, shows.patches.map((one) => h("li", {}, `${one.number}. ${one.words} `,
        button("Take away", () => acts.remove(one.number), { class: "finding", "aria-label": `Take away patch ${one.number}`, "data-patch": one.number })))),
      adding),
  ];
}
