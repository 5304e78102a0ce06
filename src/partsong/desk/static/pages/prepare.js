// Prepare: the day as a score, the stage from above, lamps and cards, from a few numbers; and the sheet to print.
import { get } from "../lib/api.js";
import { h } from "../lib/dom.js";
import { commandList } from "../lib/commands.js";
import { drawCards, drawDay, drawLoad, drawStage } from "../lib/plans.js";

/** @typedef {{name: string, label: string, kind: "number" | "text" | "clock", given: string, unit?: string, step?: number, min?: number}} Given */

/** What a person gives, and what stands there before. @type {Record<string, Given[]>} */
const GIVENS = {
  day: [
    { name: "start", label: "From", kind: "clock", given: "09:00" },
    { name: "end", label: "to", kind: "clock", given: "18:00" },
    { name: "takes", label: "Stage takes of each part", kind: "number", given: "4", min: 0 },
    { name: "coverage", label: "Roaming takes of each", kind: "number", given: "1", min: 0 },
    { name: "setup", label: "A set-up takes", kind: "number", given: "25", unit: "min", min: 0, step: 5 },
    { name: "rest", label: "Break", kind: "number", given: "45", unit: "min", min: 0, step: 5 },
    { name: "margin", label: "Spare", kind: "number", given: "20", unit: "%", min: 0, step: 5 },
    { name: "together", label: "Parts that share a set-up, as cajon=window, bass=window", kind: "text", given: "" },
  ],
  stage: [
    { name: "focal", label: "Focal length", kind: "number", given: "24", unit: "mm", min: 1, step: 1 },
    { name: "sensor", label: "Sensor’s width", kind: "number", given: "36", unit: "mm", min: 1, step: 0.1 },
    { name: "focus", label: "Focused at", kind: "number", given: "4", unit: "m", min: 0.1, step: 0.1 },
    { name: "stop", label: "Aperture f/", kind: "number", given: "4", min: 0.5, step: 0.1 },
  ],
  light: [
    { name: "lamps", label: "Watts of each lamp on one circuit", kind: "text", given: "" },
    { name: "volts", label: "Mains", kind: "number", given: "230", unit: "V", min: 1, step: 1 },
    { name: "breaker", label: "Breaker", kind: "number", given: "16", unit: "A", min: 1, step: 1 },
    { name: "factor", label: "Power factor, from the lamps’ papers", kind: "number", given: "1", min: 0.05, step: 0.05 },
  ],
  cards: [
    { name: "rate", label: "The camera’s data rate, Mbit/s", kind: "text", given: "" },
    { name: "card", label: "Size of a card, GB", kind: "text", given: "" },
    { name: "copies", label: "Further copies", kind: "number", given: "2", min: 0 },
  ],
};
const ALL = Object.values(GIVENS).flat();

/** @type {import("../lib/page.js").Page} */
export default {
  title: "Prepare",
  async open(sheet, desk, query) {
    /** @type {Record<string, string>} */
    const given = Object.fromEntries(ALL.map(({ name, given: usual }) => [name, query.get(name) ?? usual]));
    let plans = await get("/api/prepare", given);
    let asked = 0;
    let closed = false;

    const state = h("p", { class: "lead" });
    const missing = h("div", { class: "missing", role: "status" });
    const printed = /** @type {HTMLAnchorElement} */ (h("a", { class: "go", id: "sheet-to-print", target: "_blank", rel: "noopener" }, "Open the sheet to print"));
    const names = ["day", "stage", "light", "cards"];
    const plan = Object.fromEntries(names.map((name) => [name, h("div", { class: "plan" })]));
    const words = Object.fromEntries(names.map((name) => [name, h("div", {})]));
    sheet.append(
      h("p", { class: "answers" }, "What do we shoot, where, in what order, with what light, and will it fit the day and the cards?"), state,
      h("p", {}, printed), missing,
      section("The day", "day"), section("The stage from above", "stage"), section("The light", "light"), section("Cards", "cards"),
      h("section", {}, h("h2", {}, "Cautions"),
        plans.cautions.map((/** @type {{title: string, text: string, source: string}} */ one) => h("div", { class: "caution" },
          h("p", {}, h("strong", {}, one.title), ` ${one.text}`), h("p", { class: "small" }, one.source))),
        h("p", {}, plans.rules)),
      commandList(desk.film.folder, [["prepare guide FILM --out guide.wav", "writes the guide track to play to: count-in, clicks and cues to line up by. Start with the volume down."]]));

    /** @param {string} title @param {string} name */
    function section(title, name) {
      return h("section", { class: `${name}-plan` }, h("h2", {}, title), h("div", { class: "givens" }, GIVENS[name].map(field)), plan[name], words[name]);
    }

    /** @param {Given} one */
    function field({ name, label, kind, unit, step, min }) {
      const input = /** @type {HTMLInputElement} */ (h("input", { id: name, type: kind === "number" ? "number" : "text", class: kind, min, step, value: given[name], inputmode: kind === "text" ? null : "numeric" }));
      input.addEventListener("change", () => {
        if (!input.checkValidity() && !input.validity.stepMismatch) {
          input.reportValidity();
          return;
        }
        given[name] = input.value;
        void changed();
      });
      return h("label", { for: name }, `${label} `, input, unit && ` ${unit}`);
    }

    async function changed() {
      asked += 1;
      const mine = asked;
      const found = await get("/api/prepare", given).catch((problem) => desk.say(problem.message, true));
      if (!found || mine !== asked || closed) return; // another number was given meanwhile
      plans = found;
      desk.link(Object.fromEntries(ALL.map(({ name, given: usual }) => [name, given[name] === usual ? null : given[name]])));
      draw();
    }

    function draw() {
      if (closed) return;
      const wide = Math.max(260, Math.min(1088, sheet.clientWidth - 2 * parseFloat(getComputedStyle(sheet).paddingLeft)));
      state.textContent = plans.song || `${desk.film.phases.find((one) => one.phase === "prepare")?.state}.`;
      missing.replaceChildren(...[
        ...plans.wrong.map((/** @type {string} */ one) => h("p", { class: "decide" }, one)),
        plans.missing.length ? h("h2", {}, "What is missing") : h("p", {}, "Nothing is missing."),
        h("ul", {}, plans.missing.map((/** @type {string} */ one) => h("li", {}, one))),
      ]);
      printed.href = `/media/sheet?${new URLSearchParams(given)}`;
      printed.hidden = !plans.day;
      drawTheDay(wide);
      drawTheStage(wide);
      plan.light.replaceChildren(...(plans.load ? [drawLoad(plans.load, Math.min(wide, 560))] : []));
      words.light.replaceChildren(
        ...(plans.load ? [h("p", { class: plans.load.fits ? "" : "decide" }, plans.load.words)] : []),
        ...(plans.setups.length ? [h("p", {}, "In this order:"), h("ol", {}, plans.setups.map((/** @type {string} */ one) => h("li", {}, one)))] : []),
        h("p", { class: "small" }, "This is arithmetic, not permission: local code, the venue and the papers of the equipment decide."));
      plan.cards.replaceChildren(...(plans.cards ? [drawCards(plans.cards, Math.min(wide, 760))] : []));
      words.cards.replaceChildren(...(plans.cards?.words ?? []).map((/** @type {string} */ one, /** @type {number} */ number) => h("p", { class: number < 2 ? "" : "small" }, one)));
    }

    /** @param {number} wide */
    function drawTheDay(wide) {
      const { day } = plans;
      plan.day.replaceChildren(...(day ? [drawDay(day, [...new Set(plans.stage?.spots.map((/** @type {{name: string}} */ one) => one.name))], wide)] : []));
      words.day.replaceChildren(...(day ? [
        h("p", { class: day.fits ? "lead" : "lead decide" }, day.words),
        h("p", { class: "small" }, "Each hour is a bar. Filled: stage takes. Hatched: roaming takes. Outlined: setting up. The heavy line is the end of the day."),
        h("details", {}, h("summary", {}, "The order of the day, and its sums"),
          h("table", { class: "order" },
            h("thead", {}, h("tr", {}, ["When", "Minutes", "What"].map((one) => h("th", { scope: "col" }, one)))),
            h("tbody", {}, day.entries.map((/** @type {import("../lib/plans.js").Entry} */ one) => h("tr", {}, h("td", { class: "times" }, one.times), h("td", { class: "times" }, one.stop - one.start), h("td", {}, one.sentence))))),
          day.sums.map((/** @type {string} */ one) => h("p", { class: "small" }, one)),
          h("p", { class: "small" }, "Working times are your own; the ones offered are common practice, no source.")),
      ] : []));
    }

    /** @param {number} wide */
    function drawTheStage(wide) {
      const { stage } = plans;
      const had = document.activeElement?.id ?? "";
      plan.stage.replaceChildren(...(stage ? [drawStage(stage, Math.min(wide, 760))] : []));
      words.stage.replaceChildren(...(stage ? [
        h("p", {}, stage.words),
        h("p", { class: "small" }, "Rings are metres from the camera; broken arcs bound what is sharp. A part with a question mark lies somewhere on its dotted ring. Sound takes about 3 ms a metre, which Line up allows for."),
        h("div", { class: "givens" }, stage.spots.map(distance)),
      ] : []));
      if (had.startsWith("distance-")) document.getElementById(had)?.focus();
    }

    /** @param {import("../lib/plans.js").Spot} spot */
    function distance(spot) {
      const id = `distance-${spot.part}`;
      const input = /** @type {HTMLInputElement} */ (h("input", { id, type: "number", min: 0.1, max: 999, step: 0.05, value: spot.distance_m === null ? "" : +spot.distance_m.toFixed(3) }));
      input.addEventListener("change", async () => {
        if (!input.checkValidity() && !input.validity.stepMismatch) {
          input.reportValidity();
          return;
        }
        const done = await desk.change(`/api/prepare/parts/${encodeURIComponent(spot.part)}/distance`, { metres: input.value === "" ? null : Number(input.value) });
        if (!done) draw(); // what the film has
      });
      return h("label", { for: id }, `${spot.name} `, input, " m");
    }

    const resized = new ResizeObserver(() => draw());
    resized.observe(missing);
    draw();
    return {
      changed,
      keys: [["Tab", "from number to number; each plan follows"]],
      close() {
        closed = true;
        resized.disconnect();
      },
    };
  },
};
