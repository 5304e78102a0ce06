// Pictures of the plans for the day: the day as a score, the lamps on a circuit, takes on cards.
import { svg } from "./dom.js";

/** @typedef {{start: number, stop: number, times: string, work: string, part: string, sentence: string}} Entry */
/** @typedef {{start: number, end: number, fits: boolean, words: string, entries: Entry[], sums: string[]}} Day */

const NAMES = 118; // pixels for the names of rows
const ROW = 26;
/** How each kind of work is drawn: filled, outlined, or only a line. @type {Record<string, string>} */
const KINDS = { takes: "filled", coverage: "hatched", "set-up": "outlined", break: "line", rig: "outlined", plate: "outlined", spare: "dashed", strike: "outlined" };

/** The day: hours are bar lines, each part has its row. @param {Day} day @param {string[]} parts @param {number} wide */
export function drawDay(day, parts, wide) {
  const rows = ["The room", ...parts];
  const last = Math.max(day.end, ...day.entries.map((one) => one.stop));
  const [from, to] = [Math.floor(day.start / 60) * 60, Math.ceil(last / 60) * 60];
  const x = (/** @type {number} */ minutes) => NAMES + ((minutes - from) / (to - from)) * (wide - NAMES - 1);
  const high = 22 + ROW * rows.length;
  const hours = Array.from({ length: (to - from) / 60 + 1 }, (_, number) => from + number * 60);
  const every = (wide - NAMES) / hours.length < 34 ? 2 : 1;
  return svg("svg", { class: "day", width: wide, height: high + 6, viewBox: `0 0 ${wide} ${high + 6}`, role: "img", "aria-label": `The day as a score. ${day.words}` },
    hours.map((hour, number) => svg("g", {},
      svg("path", { class: "bar", d: `M${x(hour).toFixed(1)} 18V${high}` }),
      number % every === 0 && number < hours.length - 1 && svg("text", { class: "bar-number", x: x(hour) + 3, y: 13 }, `${hour / 60}`))),
    rows.map((name, row) => svg("g", {},
      svg("text", { class: "row-name", x: NAMES - 8, y: 22 + ROW * row + 17, "text-anchor": "end" }, short(name)),
      svg("path", { class: "row-line", d: `M${NAMES} ${22 + ROW * (row + 1)}H${wide}` }))),
    day.entries.map((entry) => {
      const row = Math.max(0, rows.indexOf(entry.part, 1));
      const [left, right] = [x(entry.start), x(entry.stop)];
      const words = ["rig", "break", "strike", "spare"].includes(entry.work) && right - left > 34 ? entry.work : "";
      return svg("g", {}, svg("title", {}, `${entry.times}: ${entry.sentence}`),
        svg("rect", { class: `work ${KINDS[entry.work]}`, x: left + 0.5, y: 22 + ROW * row + 5, width: Math.max(1, right - left - 1), height: ROW - 9 }),
        words && svg("text", { class: "work-name", x: left + 5, y: 22 + ROW * row + 18 }, words));
    }),
    hatching(),
    svg("path", { class: day.fits ? "end" : "end decide", d: `M${x(day.end).toFixed(1)} 2V${high}` }));
}

/** What lamps draw of what they may. @param {{watts: number, allowed_watts: number, fits: boolean}} load @param {number} wide */
export function drawLoad({ watts, allowed_watts, fits }, wide) {
  const most = Math.max(watts, allowed_watts) * 1.1;
  const x = (/** @type {number} */ value) => (value / most) * (wide - 2) + 1;
  return svg("svg", { class: "load", width: wide, height: 44, role: "img", "aria-label": `${watts} of ${allowed_watts} watts` },
    svg("rect", { class: fits ? "work filled" : "work over", x: 1, y: 18, width: x(watts) - 1, height: 18 }),
    svg("path", { class: fits ? "end" : "end decide", d: `M${x(allowed_watts).toFixed(1)} 12V42` }),
    svg("text", { class: "bar-number", x: x(allowed_watts) - 4, y: 12, "text-anchor": "end" }, `at most ${allowed_watts} W`));
}

/** Cards with their takes, or the takes alone where the size of a card is not known. @param {{takes: number, cards: number | null, on_each: number | null}} sum @param {number} wide */
export function drawCards({ takes, cards, on_each }, wide) {
  const boxes = cards ?? 1;
  const each = on_each ?? takes;
  const across = Math.max(1, Math.min(boxes, Math.floor(wide / 130)));
  const shown = Math.min(boxes, 60);
  const size = Math.min(240, wide / across - 14);
  const columns = Math.ceil(Math.sqrt(each * 2.2));
  const cell = (size - 12) / columns;
  const lines = Math.ceil(each / columns);
  const tall = lines * cell + 14;
  const rows = Math.ceil(shown / across);
  return svg("svg", { class: "cards", width: wide, height: rows * (tall + 12) + 2, role: "img", "aria-label": cards ? `${cards} cards, ${each} takes on each` : `${takes} takes` },
    Array.from({ length: shown }, (_, number) => {
      const [left, top] = [(number % across) * (size + 14) + 1, Math.floor(number / across) * (tall + 12) + 1];
      const full = Math.min(each, takes - number * each);
      return svg("g", {},
        cards !== null && svg("path", { class: "card", d: `M${left} ${top}h${size - 12}l12 12v${tall - 12}h${-size}z` }),
        Array.from({ length: full }, (_one, take) => svg("rect", { class: "work filled", x: left + 6 + (take % columns) * cell, y: top + 8 + Math.floor(take / columns) * cell, width: Math.max(1, cell - 2), height: Math.max(1, cell - 2) })));
    }));
}

function hatching() {
  return svg("defs", {}, svg("pattern", { id: "hatch", width: 5, height: 5, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" }, svg("path", { class: "hatch", d: "M0 0V5" })));
}

/** @param {string} name */
function short(name) {
  return name.length > 15 ? `${name.slice(0, 14)}…` : name;
}
