// Prepare: the stage and its light, planned by hand; the day as a score, load and cards, from a few numbers; and the sheet.
import { get } from "../lib/api.js";
import { cautionList } from "../lib/cautions.js";
import { commandList } from "../lib/commands.js";
import { button, h } from "../lib/dom.js";
import { drawCards, drawDay, drawLoad } from "../lib/plans.js";
import { movable, picture, sentences } from "../lib/staging.js";

/** @typedef {{part: string, x_m: number, y_m: number, width_m: number, height_m: number}} Spot */
/** @typedef {{id: string, part: string, x_m: number, y_m: number, height_m: number, hangs: boolean, beam_deg: number, candela: number | null, watts: number | null}} Lamp */

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
  light: [
    { name: "lamps", label: "Further watts on the same circuit", kind: "text", given: "" },
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

/** @typedef {{name: string, label: string, unit?: string, min: number, max?: number, step: number, none?: boolean}} Measure  `none`: it may be left empty. */

/** What the film keeps of the camera, the room, a spot and a lamp. @type {Record<string, Measure[]>} */
const MEASURES = {
  camera: [
    { name: "focal_mm", label: "Focal length", unit: "mm", min: 1, step: 1 },
    { name: "sensor_mm", label: "Sensor’s width", unit: "mm", min: 1, step: 0.1 },
    { name: "height_m", label: "Lens above the floor", unit: "m", min: 0.1, step: 0.05 },
    { name: "tilt_deg", label: "Looks up by", unit: "°", min: -60, max: 60, step: 0.5 },
    { name: "focus_m", label: "Focused at", unit: "m", min: 0.1, step: 0.1 },
    { name: "f_number", label: "Aperture f/", min: 0.5, step: 0.1 },
    { name: "iso", label: "ISO", min: 1, step: 50 },
    { name: "shutter", label: "Shutter 1/", unit: "s", min: 1, step: 1 },
  ],
  room: [
    { name: "left_m", label: "Wall on the left", unit: "m", min: 0.1, step: 0.1 },
    { name: "right_m", label: "on the right", unit: "m", min: 0.1, step: 0.1 },
    { name: "back_m", label: "at the back", unit: "m", min: 0.1, step: 0.1 },
    { name: "height_m", label: "Ceiling", unit: "m", min: 0.1, step: 0.1 },
  ],
  spot: [
    { name: "x_m", label: "To the right, m", min: -99, step: 0.05 },
    { name: "y_m", label: "Into the room, m", min: 0.1, step: 0.05 },
    { name: "width_m", label: "Wide, m", min: 0.1, step: 0.05 },
    { name: "height_m", label: "High, m", min: 0.1, step: 0.05 },
  ],
  lamp: [
    { name: "x_m", label: "To the right, m", min: -99, step: 0.05 },
    { name: "y_m", label: "Into the room, m", min: -99, step: 0.05 },
    { name: "height_m", label: "High, m", min: 0.1, step: 0.05 },
    { name: "beam_deg", label: "Beam, °", min: 1, max: 179, step: 1 },
    { name: "candela", label: "Candela", min: 1, step: 100, none: true },
    { name: "watts", label: "Watts", min: 1, step: 10, none: true },
  ],
};
const USUAL_DEEP_M = 4;
const USUAL_LAMP = { away_m: 2.2, height_m: 2.4 }; // to the left of the camera by half a right angle

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
    const camera = h("div", { class: "givens" });
    const room = h("div", { class: "givens" });
    const spots = h("div", { class: "scroll" });
    const lamps = h("div", { class: "scroll" });
    const plan = Object.fromEntries(names.map((name) => [name, h("div", { class: "plan" })]));
    const words = Object.fromEntries(names.map((name) => [name, h("div", {})]));
    sheet.append(
      h("p", { class: "answers" }, "What do we shoot, where, in what order, with what light, and will it fit the day and the cards?"), state,
      h("p", {}, printed), missing,
      section("The day", "day"),
      h("section", { class: "stage-plan" }, h("h2", {}, "The stage"), camera, room, plan.stage, words.stage, spots),
      h("section", { class: "light-plan" }, h("h2", {}, "The light"), lamps, words.light,
        h("div", { class: "givens" }, GIVENS.light.map(field)), plan.light),
      section("Cards", "cards"),
      h("section", {}, h("h2", {}, "Cautions"), cautionList(plans.cautions, plans.rules)),
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
      const had = document.activeElement?.id ?? "";
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
      drawTheLight(wide);
      plan.cards.replaceChildren(...(plans.cards ? [drawCards(plans.cards, Math.min(wide, 760))] : []));
      words.cards.replaceChildren(...(plans.cards?.words ?? []).map((/** @type {string} */ one, /** @type {number} */ number) => h("p", { class: number < 2 ? "" : "small" }, one)));
      if (had) document.getElementById(had)?.focus(); // its field or thing is another one now
    }

    /** @param {number} wide */
    function drawTheDay(wide) {
      const { day } = plans;
      plan.day.replaceChildren(...(day ? [drawDay(day, plans.stage?.spots.map((/** @type {{name: string}} */ one) => one.name) ?? [], wide)] : []));
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
      for (const each of [camera, room, spots]) each.hidden = !stage;
      if (!stage) {
        plan.stage.replaceChildren();
        words.stage.replaceChildren();
        return;
      }
      camera.replaceChildren(...MEASURES.camera.map((one) => labelled(one, `camera-${one.name}`, stage.camera[one.name], (value) => desk.change("/api/prepare/camera", { [one.name]: value }))));
      room.replaceChildren(
        ...MEASURES.room.map((one) => labelled({ ...one, none: true }, `room-${one.name}`, stage.room?.[one.name] ?? null, roomed)),
        labelled({ name: "ambient_lux", label: "Light in every take", unit: "lx", min: 0, step: 1 }, "room-ambient_lux", stage.ambient_lux, (value) => desk.change("/api/prepare/room", { ...stage.room, ambient_lux: value })));
      const above = picture(stage.above);
      movable(above, things(), named, (thing) => desk.change(`/api/prepare/${thing.kind}/${encodeURIComponent(thing.id)}`, { x_m: thing.x_m, y_m: thing.y_m }).then((done) => done || draw()));
      plan.stage.replaceChildren(above, ...(stage.spots.some((/** @type {{spot: Spot | null}} */ one) => one.spot) ? [picture(stage.frame)] : []));
      plan.stage.classList.toggle("beside", wide > 900);
      words.stage.replaceChildren(
        h("p", {}, stage.view), sentences(stage.of_frame),
        h("p", { class: "small" }, "Rings are metres from the camera; broken lines bound what is sharp. Spots and lamps are dragged, or pushed with the arrow keys, ten centimetres at a time, with Shift half a metre. White: what a lamp’s beam lights. Hatched: the shadow that it gives the player."));
      spots.replaceChildren(h("table", { class: "measures" },
        h("thead", {}, h("tr", {}, ["Part", ...MEASURES.spot.map((one) => one.label), "Measured from the sound to the camera, m"].map((one) => h("th", { scope: "col" }, one)), h("td", {}))),
        h("tbody", {}, stage.spots.map((/** @type {{part: string, name: string, distance_m: number | null, spot: Spot | null}} */ one) => h("tr", {},
          h("th", { scope: "row" }, one.name),
          one.spot ? cells(MEASURES.spot, `spot-${one.part}`, one.name, one.spot, `/api/prepare/spots/${encodeURIComponent(one.part)}`)
            : h("td", { colspan: MEASURES.spot.length }, button("Plan its spot", () => place(one.part), { "aria-label": `Plan its spot: ${one.name}` })),
          h("td", {}, distance(one)),
          h("td", {}, one.spot && button("Take out", () => desk.change(`/api/prepare/spots/${encodeURIComponent(one.part)}/drop`), { "aria-label": `Take out the spot of ${one.name}` })))))),
        h("p", { class: "small" }, "Sound takes about 3 ms a metre, which Line up allows for once the distance was measured."));
    }

    /** @param {number} wide */
    function drawTheLight(wide) {
      const { stage } = plans;
      /** @type {{part: string, name: string, spot: Spot | null}[]} */
      const planned = (stage?.spots ?? []).filter((/** @type {{spot: Spot | null}} */ one) => one.spot);
      lamps.replaceChildren(...(planned.length ? [
        stage.lamps.length > 0 && h("table", { class: "measures" },
          h("thead", {}, h("tr", {}, ["Lamp", "For", ...MEASURES.lamp.map((one) => one.label), "Hangs"].map((one) => h("th", { scope: "col" }, one)), h("td", {}))),
          h("tbody", {}, stage.lamps.map((/** @type {Lamp} */ one) => h("tr", {},
            h("th", { scope: "row" }, one.id),
            h("td", {}, planned.find((each) => each.part === one.part)?.name),
            cells(MEASURES.lamp, `lamp-${one.id}`, one.id, one, lampPath(one.id)),
            h("td", {}, h("input", { type: "checkbox", id: `lamp-${one.id}-hangs`, "aria-label": `${one.id} hangs`, checked: one.hangs,
              onchange: (/** @type {Event} */ event) => desk.change(lampPath(one.id), { hangs: /** @type {HTMLInputElement} */ (event.target).checked }) })),
            h("td", {}, button("Take out", () => desk.change(`${lampPath(one.id)}/drop`), { "aria-label": `Take out the lamp ${one.id}` })))))),
        h("p", {}, "Add a lamp for ", planned.map((one) => button(one.name, () => add(one.part, /** @type {Spot} */ (one.spot)), { "aria-label": `Add a lamp for ${one.name}`, id: `add-lamp-${one.part}` }))),
      ].filter((one) => one !== false) : [h("p", {}, "Plan spots first: a lamp looks at the spot of its part.")]));
      words.light.replaceChildren(
        ...(stage?.of_light.length ? [sentences(stage.of_light), h("p", { class: "small" }, "Candela stand in a lamp’s papers, or are lux × metres × metres. Light falls with the square of distance; how a beam fades at its edge is taken as a bell. A meter on the day decides.")] : []),
        ...(plans.setups.length ? [h("p", {}, "In this order:"), h("ol", {}, plans.setups.map((/** @type {string} */ one) => h("li", {}, one)))] : []),
        h("h3", {}, "What the lamps draw"),
        ...(plans.load ? [h("p", { class: plans.load.fits ? "" : "decide" }, plans.load.words)] : []),
        h("p", { class: "small" }, "Of the planned lamps, those of one part are on at once. This is arithmetic, not permission: local code, the venue and the papers of the equipment decide."));
      plan.light.replaceChildren(...(plans.load ? [drawLoad(plans.load, Math.min(wide, 560))] : []));
    }

    /** The room is known once all four sizes are given. */
    function roomed() {
      const sizes = MEASURES.room.map((one) => [one.name, /** @type {HTMLInputElement} */ (document.getElementById(`room-${one.name}`)).value]);
      const given = sizes.filter(([, value]) => value !== "");
      if (given.length > 0 && given.length < sizes.length) return Promise.resolve(true);
      return desk.change("/api/prepare/room", Object.fromEntries(given.map(([name, value]) => [name, Number(value)])));
    }

    /** @returns {import("../lib/staging.js").Thing[]} */
    function things() {
      const standing = plans.stage.spots.flatMap((/** @type {{spot: Spot | null}} */ { spot }) => (spot ? [{ kind: "spots", id: spot.part, x_m: spot.x_m, y_m: spot.y_m }] : []));
      return [...standing, ...plans.stage.lamps.map((/** @type {Lamp} */ one) => ({ kind: "lamps", id: one.id, x_m: one.x_m, y_m: one.y_m }))];
    }

    /** @param {import("../lib/staging.js").Thing} thing */
    function named({ kind, id, x_m, y_m }) {
      const name = kind === "spots" ? plans.stage.spots.find((/** @type {{part: string}} */ one) => one.part === id).name : `The lamp ${id}`;
      return `${name}: ${Math.abs(x_m).toFixed(2)} m to the ${x_m < 0 ? "left" : "right"}, ${y_m.toFixed(2)} m into the room`;
    }

    /** A spot for a part that has none: beside those that are planned. @param {string} part */
    function place(part) {
      const right = plans.stage.spots.flatMap((/** @type {{spot: Spot | null}} */ { spot }) => (spot ? [spot.x_m + spot.width_m / 2] : []));
      return desk.change(`/api/prepare/spots/${encodeURIComponent(part)}`, { x_m: right.length ? Math.round((Math.max(...right) + 0.8) * 20) / 20 : 0, y_m: USUAL_DEEP_M });
    }

    /** A lamp for a part: at half a right angle from the camera's left. @param {string} part @param {Spot} spot */
    function add(part, spot) {
      const taken = new Set(plans.stage.lamps.map((/** @type {Lamp} */ one) => one.id));
      let id = `key-${part}`;
      for (let number = 2; taken.has(id); number += 1) id = `key-${part}-${number}`;
      const turned = Math.atan2(-spot.x_m, spot.y_m) - Math.PI / 4;
      return desk.change(lampPath(id), { part, x_m: near(spot.x_m + USUAL_LAMP.away_m * Math.sin(turned)), y_m: near(spot.y_m - USUAL_LAMP.away_m * Math.cos(turned)), height_m: USUAL_LAMP.height_m });
    }

    /** @param {number} metres */
    function near(metres) {
      return Math.round(metres * 20) / 20;
    }

    /** @param {string} id */
    function lampPath(id) {
      return `/api/prepare/lamps/${encodeURIComponent(id)}`;
    }

    /** Cells of a table, a number in each. @param {Measure[]} measures @param {string} id @param {string} name @param {Record<string, any>} has @param {string} path */
    function cells(measures, id, name, has, path) {
      return measures.map((one) => h("td", {}, measured(one, `${id}-${one.name}`, has[one.name], (value) => desk.change(path, { [one.name]: value }), `${name}, ${one.label}`)));
    }

    /** A number under its label. @param {Measure} measure @param {string} id @param {number | null} value @param {(value: number | null) => Promise<any>} send */
    function labelled(measure, id, value, send) {
      return h("label", { for: id }, `${measure.label} `, measured(measure, id, value, send), measure.unit && ` ${measure.unit}`);
    }

    /** A number that is sent when it was given; empty only where nothing is a value. @param {Measure} measure @param {string} id @param {number | null} value @param {(value: number | null) => Promise<any>} send @param {string} [label] */
    function measured({ min, max, step, none }, id, value, send, label) {
      const input = /** @type {HTMLInputElement} */ (h("input", { id, type: "number", min, max, step, required: !none, value: value === null ? "" : +value.toFixed(3), "aria-label": label }));
      input.addEventListener("change", async () => {
        if (!input.checkValidity() && !input.validity.stepMismatch) {
          input.reportValidity();
          return;
        }
        const done = await send(input.value === "" ? null : Number(input.value));
        if (!done) draw(); // what the film has
      });
      return input;
    }

    /** @param {{part: string, name: string, distance_m: number | null, spot: Spot | null}} one */
    function distance(one) {
      const input = measured({ name: "distance", label: "", min: 0.1, max: 999, step: 0.05, none: true }, `distance-${one.part}`, one.distance_m, (metres) => desk.change(`/api/prepare/parts/${encodeURIComponent(one.part)}/distance`, { metres }), `${one.name}, measured distance in metres`);
      if (one.spot) input.placeholder = Math.hypot(one.spot.x_m, one.spot.y_m).toFixed(2); // as planned
      return input;
    }

    const resized = new ResizeObserver(() => draw());
    resized.observe(missing);
    draw();
    return {
      changed,
      keys: [["Tab", "from number to number; each plan follows"], ["Arrow keys", "on a spot or a lamp: push it ten centimetres, with Shift half a metre"]],
      close() {
        closed = true;
        resized.disconnect();
      },
    };
  },
};
