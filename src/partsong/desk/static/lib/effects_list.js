// The effects of the cut: what there is, what one more would flash, and a form to add it from the mark.
import { get } from "./api.js";
import { button, h, svg } from "./dom.js";
import { CAUTION } from "./flashing.js";
import { brightness, dip } from "./effects.js";

/** @typedef {{flashes: number, allowed: number, fails: boolean, sentence: string}} Meter */
/** @typedef {{number: number, words: string, place: string, until: string, effect: import("./effects.js").Effect}} Told */

const PAUSE_MS = 250;
const MOST = 6; // flashes a second at the end of the drawn scale
/** What each kind has besides how long it lasts. @type {Record<string, string[]>} */
const HAS = { flicker: ["every", "depth"], stutter: ["every"], leak: ["side"] };

/** A scale of flashes a second with the limit on it. @param {Meter} meter */
function scale(meter) {
  const x = (/** @type {number} */ flashes) => (100 * Math.min(flashes, MOST)) / MOST;
  return svg("svg", { class: `flash-scale${meter.fails ? " over" : ""}`, viewBox: "0 0 100 8", preserveAspectRatio: "none", role: "img",
    "aria-label": `${meter.flashes} flashes in a second of ${meter.allowed} allowed` },
    svg("rect", { class: "track", x: 0, y: 2, width: 100, height: 4 }),
    svg("rect", { class: "level", x: 0, y: 2, width: x(meter.flashes), height: 4 }),
    svg("path", { class: "limit", d: `M${x(meter.allowed)} 0V8` }));
}

/** How an effect runs over a stretch of the song, as a path in a box of 100 by 20: light, or where the picture begins anew. @param {import("./effects.js").Effect} effect @param {number} first @param {number} stop */
export function course(effect, first, stop) {
  const [from, until] = [Math.max(first, effect.start), Math.min(stop, effect.end)];
  const x = (/** @type {number} */ frame) => (((frame - first) / (stop - first)) * 100).toFixed(2);
  if (effect.kind === "stutter") return effect.again.filter((one) => from <= one && one < until).map((one) => `M${x(one)} 2V18`).join("") + `M${x(from)} 18H${x(until)}`;
  const height = (/** @type {number} */ frame) => (effect.kind === "flicker" ? 2 + 16 * (dip(effect, frame) / Math.max(effect.depth_stops, 1)) : 18 - 16 * brightness(effect, frame)).toFixed(2);
  const points = [];
  for (let frame = from; frame < until; frame += 1) points.push(`${x(frame)} ${height(frame)}`);
  return `M${points.join("L")}`;
}

/**
 * @param {import("./page.js").Desk} desk
 * @param {{open: boolean, at: () => number, go: (frame: number) => void}} mark  Whether the list is open; where the mark is, and how to take it elsewhere.
 */
export function effectsList(desk, mark) {
  const list = h("ul", { class: "plain effects-list" });
  const now = h("div", { class: "meter" });
  const ahead = h("div", { class: "meter", role: "status" });
  const kind = select("effect-kind", [["flicker", "flicker"], ["stutter", "stutter"], ["leak", "light leak"]]);
  const beats = /** @type {HTMLInputElement} */ (h("input", { id: "effect-beats", type: "number", min: 0.25, max: 64, step: 0.25, value: 3 }));
  const every = select("effect-every", [["1/4", "a quarter of a beat"], ["1/2", "half a beat"], ["1", "beat"], ["2", "2 beats"], ["3", "3 beats"]], "1");
  const depth = /** @type {HTMLInputElement} */ (h("input", { id: "effect-depth", type: "number", min: 0.05, max: 6, step: 0.05, value: 0.5 }));
  const side = select("effect-side", [["left", "left"], ["right", "right"], ["top", "top"], ["bottom", "bottom"]], "right");
  const parts = {
    every: h("label", { for: "effect-every" }, "every ", every),
    depth: h("label", { for: "effect-depth" }, "by ", depth, " stops"),
    side: h("label", { for: "effect-side" }, "from the ", side),
  };
  const add = button("Add from the mark", () => desk.change("/api/cut/effects/add", () => ({ ...wish(), anyway: over })), { id: "add-effect" });
  const count = h("summary", {});
  const element = h("details", { class: "effects", open: mark.open }, count, list, now,
    h("div", { class: "tools" }, h("label", { for: "effect-kind" }, "A ", kind), h("label", { for: "effect-beats" }, "for ", beats, " beats"), ...Object.values(parts), add),
    ahead);
  element.addEventListener("toggle", () => {
    desk.link({ effects: opened() ? 1 : null });
    ask();
  });
  let over = false; // what is in the form would flash too much
  let waiting = 0;
  let asked = 0;

  const wish = () => ({ kind: kind.value, frame: mark.at(), beats: beats.value, every: every.value, depth_stops: Number(depth.value), side: side.value });

  /** @param {string} id @param {[string, string][]} values @param {string} [chosen] */
  function select(id, values, chosen) {
    return /** @type {HTMLSelectElement} */ (h("select", { id }, values.map(([value, words]) => h("option", { value, selected: value === chosen }, words))));
  }

  const opened = () => /** @type {HTMLDetailsElement} */ (element).open;

  /** Ask what one more would flash, once the hand rests; while the list is closed nobody wants to know. */
  function ask() {
    if (!opened()) return;
    for (const [name, part] of Object.entries(parts)) part.hidden = !HAS[kind.value].includes(name);
    clearTimeout(waiting);
    waiting = setTimeout(async () => {
      const number = (asked += 1);
      const query = new URLSearchParams(Object.entries(wish()).map(([name, value]) => [name, String(value)]));
      try {
        const meter = /** @type {Meter} */ (await get(`/api/cut/effects/ahead?${query}`));
        if (number === asked) told(meter);
      } catch (problem) {
        if (number === asked) cannot(problem instanceof Error ? problem.message : String(problem));
      }
    }, PAUSE_MS);
  }

  /** @param {Meter} meter */
  function told(meter) {
    over = meter.fails;
    add.textContent = over ? "Add it all the same" : "Add from the mark";
    /** @type {HTMLButtonElement} */ (add).disabled = false;
    ahead.replaceChildren(scale(meter), h("p", {}, `With this one: ${meter.sentence.charAt(0).toLowerCase()}${meter.sentence.slice(1)}`, over ? ` ${CAUTION}` : ""));
    ahead.classList.toggle("caution", over);
  }

  /** @param {string} why */
  function cannot(why) {
    over = false;
    /** @type {HTMLButtonElement} */ (add).disabled = true;
    ahead.replaceChildren(h("p", {}, why));
    ahead.classList.remove("caution");
  }

  for (const input of [kind, beats, every, depth, side]) input.addEventListener("input", ask);

  return {
    element,
    /** The mark moved: what would be added lies elsewhere. */
    moved: ask,
    /** @param {Told[]} effects @param {Meter} meter */
    fill(effects, meter) {
      count.textContent = effects.length ? `Effects: ${effects.length}` : "Effects: none yet";
      list.replaceChildren(...effects.map((one) => h("li", {},
        button(`${one.place} to ${one.until}`, () => mark.go(one.effect.start), { class: "link", "aria-label": `${one.place} to ${one.until}: put the mark there` }),
        ` ${one.words} `,
        button("Take it away", () => desk.change("/api/cut/effects/remove", { number: one.number }), { "aria-label": `Take it away: ${one.words} at ${one.place}`, "data-effect": one.number }))));
      now.hidden = !effects.length;
      now.replaceChildren(scale(meter), h("p", {}, `${meter.sentence} What the picture does comes on top: sign-off measures the finished file.`));
      now.classList.toggle("caution", meter.fails);
      ask();
    },
  };
}
