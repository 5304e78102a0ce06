// Masks on the frame: an oval or a closed curve, for the whole song or from key to key. Pixels of the film.
import { svg } from "./dom.js";
import { handles, moved, ovalInWords, ovalShapes, steered } from "./ovals.js";

/** @typedef {import("./ovals.js").Oval} Oval */
/** @typedef {import("./ovals.js").Point} Point */
/** @typedef {({kind: "oval"} & Oval) | {kind: "curve", points: Point[]}} Shape */
/** @typedef {{frame: number, shape: Shape}} Key */
/** @typedef {{shape: Shape, feather_px: number}} Held  A shape as a hand has it. */

const STEPS = 16;

/** The shape at a frame of the song: between two keys each number changes straight. @param {Shape} shape @param {Key[]} keys @param {number} frame @returns {Shape} */
export function shapeAt(shape, keys, frame) {
  if (!keys.length) return shape;
  const after = keys.findIndex((key) => key.frame >= frame);
  if (after === -1) return keys[keys.length - 1].shape;
  if (after === 0 || keys[after].frame === frame) return keys[after].shape;
  const [one, other] = [keys[after - 1], keys[after]];
  const share = (frame - one.frame) / (other.frame - one.frame);
  const between = (/** @type {number} */ a, /** @type {number} */ b) => a + share * (b - a);
  if (one.shape.kind === "curve" && other.shape.kind === "curve") {
    const ends = other.shape.points;
    return { kind: "curve", points: one.shape.points.map(({ x, y }, place) => ({ x: between(x, ends[place].x), y: between(y, ends[place].y) })) };
  }
  if (one.shape.kind === "curve" || other.shape.kind === "curve") return one.shape; // the film refuses such keys
  const [a, b] = [one.shape, other.shape];
  return { kind: "oval", x: between(a.x, b.x), y: between(a.y, b.y), rx: between(a.rx, b.rx), ry: between(a.ry, b.ry), rotation_deg: between(a.rotation_deg, b.rotation_deg) };
}

/** A closed curve as a polygon: the one that render/pixels.py defines, Catmull-Rom with centripetal spacing. @param {Point[]} points @returns {Point[]} */
export function outline(points) {
  const at = (/** @type {number} */ place) => points[(place + points.length) % points.length];
  const found = [];
  for (let place = 0; place < points.length; place += 1) {
    const ring = [at(place - 1), at(place), at(place + 1), at(place + 2)];
    const knots = [0];
    for (let one = 0; one < 3; one += 1) {
      knots.push(knots[one] + Math.max(1e-9, Math.sqrt(Math.hypot(ring[one + 1].x - ring[one].x, ring[one + 1].y - ring[one].y))));
    }
    for (let step = 0; step < STEPS; step += 1) {
      const t = knots[1] + (knots[2] - knots[1]) * (step / STEPS);
      const mixed = (/** @type {Point} */ first, /** @type {Point} */ second, /** @type {number} */ a, /** @type {number} */ b) => {
        const share = (t - knots[a]) / (knots[b] - knots[a]);
        return { x: (1 - share) * first.x + share * second.x, y: (1 - share) * first.y + share * second.y };
      };
      const near = [0, 1, 2].map((one) => mixed(ring[one], ring[one + 1], one, one + 1));
      found.push(mixed(mixed(near[0], near[1], 0, 2), mixed(near[1], near[2], 1, 3), 1, 2));
    }
  }
  return found;
}

/** @param {Point[]} points @param {boolean} [closed] */
export function pathOf(points, closed = true) {
  return `M${points.map(({ x, y }) => `${x.toFixed(2)} ${y.toFixed(2)}`).join("L")}${closed ? "Z" : ""}`;
}

/** @param {Shape} shape @param {number} feather_px */
export function shapeInWords(shape, feather_px) {
  if (shape.kind === "oval") return ovalInWords(shape, feather_px);
  const middle = centreOf(shape);
  return `A curve of ${shape.points.length} points about ${Math.round(middle.x)}, ${Math.round(middle.y)}; soft over ${Math.round(feather_px)}.`;
}

/** @param {Shape} shape @returns {Point} */
export function centreOf(shape) {
  if (shape.kind === "oval") return shape;
  const sum = shape.points.reduce((all, one) => ({ x: all.x + one.x, y: all.y + one.y }), { x: 0, y: 0 });
  return { x: sum.x / shape.points.length, y: sum.y / shape.points.length };
}

/** @param {Shape} shape */
export function topOf(shape) {
  return shape.kind === "oval" ? shape.y - shape.ry : Math.min(...shape.points.map((one) => one.y));
}

/** How a mask is drawn: its lines, and what can be taken hold of where it is the chosen one. @param {Held} held @param {boolean} chosen @param {number} size  Of a handle. */
export function maskShapes({ shape, feather_px }, chosen, size) {
  if (shape.kind === "oval") {
    const turned = svg("g", { transform: `translate(${shape.x} ${shape.y}) rotate(${shape.rotation_deg})` }, ovalShapes(shape, feather_px), chosen ? handles(shape, size) : []);
    return [turned];
  }
  const d = pathOf(outline(shape.points));
  const line = (/** @type {string} */ name) => svg("path", { class: name, d });
  return [
    line("under-line"), line("line"), line("grip"),
    ...(chosen ? shape.points.map(({ x, y }, place) => svg("rect", {
      class: "handle", "data-handle": `point-${place}`, x: x - size, y: y - size, width: 2 * size, height: 2 * size,
      tabindex: "0", role: "button", "aria-label": `Point ${place + 1} of ${shape.points.length}, ${Math.round(x)}, ${Math.round(y)}`,
    })) : []),
  ];
}

/** @param {Point[]} points @param {number} right @param {number} down @param {number} [only]  Which point; all if left out. @returns {Shape} */
function shifted(points, right, down, only) {
  return { kind: "curve", points: points.map(({ x, y }, place) => (only === undefined || only === place ? { x: x + right, y: y + down } : { x, y })) };
}

/** What a hand makes of a mask. @param {Shape} begun @param {string} part  What was taken hold of. @param {Point} from @param {Point} to @returns {Shape} */
export function dragged(begun, part, from, to) {
  if (begun.kind === "oval") return { kind: "oval", ...moved(begun, part, from, to) };
  return shifted(begun.points, to.x - from.x, to.y - from.y, pointOf(part));
}

/** What a key makes of a mask, or null. @param {Shape} shape @param {KeyboardEvent} event @param {number} step @param {string} [part]  The handle that has the keyboard. @returns {Shape | null} */
export function pressed(shape, event, step, part) {
  if (shape.kind === "oval") {
    const next = steered(shape, event, step);
    return next && { kind: "oval", ...next };
  }
  const across = { ArrowLeft: -1, ArrowRight: 1 }[event.key] ?? 0;
  const down = { ArrowUp: -1, ArrowDown: 1 }[event.key] ?? 0;
  return across || down ? shifted(shape.points, step * across, step * down, pointOf(part)) : null;
}

/** @param {string} [part] */
function pointOf(part) {
  return part?.startsWith("point-") ? Number(part.slice(6)) : undefined;
}
