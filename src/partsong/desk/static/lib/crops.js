// Crops: every shot with the window that a master of another shape shows of it, lit; a hand or the arrow keys move it.
import { button, h, svg } from "./dom.js";
import { choice } from "./fields.js";

/** @typedef {{left: number, top: number, width: number, height: number}} Box  Shares of a picture's width and height. */
/** @typedef {{start: number, source: string, place: string, picture: string, inside: Box, shows: Box}} Shot */
/** @typedef {{shape: string, width: number, height: number, shots: Shot[]}} Crop */
/** @typedef {{crops: Crop[], offered: string[], aspect: number, in_the_way: string}} Crops */

const ACROSS = 320; // of the small pictures, and of what is drawn on them
const STEP = 0.01; // of the source's picture, for each press of a key; with Shift five
const WAYS = /** @type {Record<string, [number, number]>} */ ({ ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] });

/**
 * The section of a page that shows and moves them.
 * @param {import("./page.js").Desk} desk
 */
export function cropsSection(desk) {
  const section = h("section", { class: "crops" });
  const line = desk.progress("crop");
  const offered = choice("Frame every shot for", "crop-shape", () => {});
  /** Windows on their way, before the film holds them. @type {Map<string, Box>} */
  const held = new Map();
  /** @type {Crops} */
  let told = { crops: [], offered: [], aspect: 1, in_the_way: "" };
  let redrawing = false;

  /** @param {Crops} now @param {boolean} [anew]  Also where nothing changed. */
  function draw(now, anew = false) {
    if (!anew && section.hasChildNodes() && JSON.stringify(now) === JSON.stringify(told)) return; // a window that is being moved is left alone
    told = now;
    const had = document.activeElement instanceof Element && section.contains(document.activeElement) ? document.activeElement.getAttribute("data-crop") : null;
    redrawing = true;
    offered.fill(now.offered, now.offered.includes(offered.select.value) ? offered.select.value : now.offered[0]);
    section.replaceChildren(...[
      h("h2", {}, "Other shapes"),
      now.in_the_way ? h("p", { class: "small" }, "Once a master can be made, every shot can be framed for other shapes.") : null,
      now.offered.length > 0 && h("div", { class: "tools" }, offered.element, button("Where most moves", () => begin(offered.select.value), { id: "frame-crop" })),
      line,
      ...now.crops.map(drawn),
    ].filter(Boolean).map((one) => /** @type {Node} */ (one)));
    redrawing = false;
    if (had) /** @type {SVGElement | null} */ (section.querySelector(`[data-crop="${CSS.escape(had)}"]`))?.focus();
  }

  const begin = (/** @type {string} */ shape) => desk.begin("crop", "/api/signoff/crops", { shape });

  /** @param {Crop} crop */
  function drawn(crop) {
    return h("div", { class: "crop" },
      h("h3", {}, crop.shape, " ", h("span", { class: "small" }, `${crop.width} × ${crop.height}; what is lit is shown, and the window follows your hand or the arrow keys`)),
      h("ol", { class: "crop-shots" }, crop.shots.map((shot) => h("li", {}, pictured(crop, shot), h("p", { class: "small" }, `${shot.place}, ${shot.source}`)))),
      h("div", { class: "tools" },
        button("Frame it anew", () => begin(crop.shape), { "aria-label": `Frame it anew: ${crop.shape}, where most moves`, "data-anew": crop.shape }),
        button("Take it away", () => desk.change("/api/signoff/crops/drop", { shape: crop.shape }), { "aria-label": `Take it away: ${crop.shape}`, "data-drop": crop.shape })));
  }

  /** @param {Crop} crop @param {Shot} shot */
  function pictured(crop, shot) {
    const key = keyOf(crop, shot);
    const down = ACROSS / told.aspect;
    const shows = held.get(key) ?? shot.shows;
    const lit = placed(shot.inside, shows, down);
    const [x, y] = [shows.left + shows.width / 2, shows.top + shows.height / 2].map((share) => Math.round(100 * share));
    const over = svg("svg", { class: "crop-over", viewBox: `0 0 ${ACROSS} ${down}` },
      svg("path", { class: "crop-dark", d: around(lit, down) }),
      svg("rect", { class: "crop-window", x: lit.left, y: lit.top, width: lit.width, height: lit.height, tabindex: 0, role: "button", "data-crop": key,
        "aria-label": `${crop.shape} at ${shot.place}: centre ${x} % across, ${y} % down. Arrow keys move it.`,
        onkeydown: (/** @type {KeyboardEvent} */ event) => pressed(event, crop, shot), onkeyup: () => commit(crop, shot),
        onfocusout: () => redrawing || commit(crop, shot),
        onpointerdown: (/** @type {PointerEvent} */ event) => grasped(event, crop, shot) }));
    return h("div", { class: "surround crop-picture" }, h("div", { class: "crop-frame", style: { "--shape": String(told.aspect) } },
      h("img", { src: shot.picture, alt: "", loading: "lazy" }), over));
  }

  /** Where the window goes when it is moved by shares of the source's picture: as far as that reaches. @param {Box} from @param {number} x @param {number} y @returns {Box} */
  const moved = (from, x, y) => ({ ...from, left: within(from.left + x, 1 - from.width), top: within(from.top + y, 1 - from.height) });

  /** @param {Crop} crop @param {Shot} shot @param {Box} next */
  function hold(crop, shot, next) {
    const key = keyOf(crop, shot);
    held.set(key, next);
    const mark = section.querySelector(`[data-crop="${CSS.escape(key)}"]`);
    const down = ACROSS / told.aspect;
    const lit = placed(shot.inside, next, down);
    mark?.setAttribute("x", String(lit.left));
    mark?.setAttribute("y", String(lit.top));
    mark?.previousElementSibling?.setAttribute("d", around(lit, down));
  }

  /** Send what a hand made: one action, one revision. @param {Crop} crop @param {Shot} shot */
  async function commit(crop, shot) {
    const key = keyOf(crop, shot);
    const next = held.get(key);
    if (!next) return;
    held.delete(key);
    if (next.left === shot.shows.left && next.top === shot.shows.top) return;
    const done = await desk.change("/api/signoff/crops/move", { shape: crop.shape, start: shot.start, x: next.left + next.width / 2, y: next.top + next.height / 2 });
    if (!done) draw(told, true);
  }

  /** @param {KeyboardEvent} event @param {Crop} crop @param {Shot} shot */
  function pressed(event, crop, shot) {
    const way = WAYS[event.key];
    if (!way || event.ctrlKey || event.altKey || event.metaKey) return;
    event.preventDefault();
    event.stopPropagation();
    const far = STEP * (event.shiftKey ? 5 : 1);
    hold(crop, shot, moved(held.get(keyOf(crop, shot)) ?? shot.shows, far * way[0], far * way[1]));
  }

  /** @param {PointerEvent} event @param {Crop} crop @param {Shot} shot */
  function grasped(event, crop, shot) {
    const mark = /** @type {SVGElement} */ (event.currentTarget);
    const over = mark.ownerSVGElement;
    if (event.button !== 0 || !over) return;
    event.preventDefault();
    mark.focus();
    mark.setPointerCapture(event.pointerId);
    const box = over.getBoundingClientRect();
    const follow = (/** @type {Event} */ next) => {
      const { clientX, clientY } = /** @type {PointerEvent} */ (next);
      const across = (clientX - event.clientX) / (box.width * shot.inside.width);
      hold(crop, shot, moved(shot.shows, across, (clientY - event.clientY) / (box.height * shot.inside.height)));
    };
    const ended = () => {
      for (const kind of ["pointerup", "pointercancel"]) mark.removeEventListener(kind, ended);
      mark.removeEventListener("pointermove", follow);
      void commit(crop, shot);
    };
    mark.addEventListener("pointermove", follow);
    for (const kind of ["pointerup", "pointercancel"]) mark.addEventListener(kind, ended);
  }

  return { section, draw };
}

/** What a window on its way is kept and found by. @param {Crop} crop @param {Shot} shot */
const keyOf = (crop, shot) => `${crop.shape} ${shot.start}`;

/** All of the picture but a window. @param {Box} lit @param {number} down */
const around = ({ left, top, width, height }, down) => `M0 0H${ACROSS}V${down}H0ZM${left} ${top}V${top + height}H${left + width}V${top}Z`;

/** A window, in the units of what is drawn. @param {Box} inside @param {Box} shows @param {number} down */
function placed(inside, shows, down) {
  return {
    left: ACROSS * (inside.left + inside.width * shows.left), top: down * (inside.top + inside.height * shows.top),
    width: ACROSS * inside.width * shows.width, height: down * inside.height * shows.height,
  };
}

/** @param {number} value @param {number} most */
const within = (value, most) => Math.max(0, Math.min(most, value));
