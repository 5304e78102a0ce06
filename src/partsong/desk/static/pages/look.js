// Look: the colour path step by step beside a frame with its scopes, and the takes matched to each other.
import { get } from "../lib/api.js";
import { button, h } from "../lib/dom.js";
import { choice, number } from "../lib/fields.js";
import { songSlider, steppedBy } from "../lib/song.js";

/** @typedef {[number, number, number]} Triple */
/** @typedef {{slope: Triple, offset: Triple, power: Triple, saturation: number}} Cdl */
/** @typedef {{config: string, input_space: string | null, exposure_stops: number, cdl: Cdl | null, contrast: number, pivot: number, saturation: number, black_and_white: {red: number, green: number, blue: number} | null, order: string[], display: string, view: string, table: {path: string} | null, table_space: string | null, black: {level: Triple} | null, texture: {grain_percent: number, grain_px: number, vignette_stops: number} | null}} Path */
/** @typedef {{floor_percent: number, ceiling_percent: number, words: string}} Measure */
/** @typedef {{take: string, part: string, roaming: boolean, grade: Cdl, words: string, sentence: string, hero: string}} Graded */
/** @typedef {import("../lib/song.js").Song & {look: Path | null, mix: string, tint: string, steps: {step: string, words: string}[], encodings: {step: string, words: string}[], asks: boolean, table: Measure | null, whole: Measure | null, tables: string[], takes: Graded[], sources: {source: string, first: number, stop: number}[]}} Look */
/** @typedef {{spaces: string[], displays: Record<string, string[]>, mixes: string[], tints: string[]}} Choices */
/** @typedef {{key: string, what: string, luma_percent: [number, number], words: string[]}} Viewed */

const JOB = "match";
const WIDE = "wide";
const IDLE_MS = 400;
const AS_IT_IS = { slope: [1, 1, 1], offset: [0, 0, 0], power: [1, 1, 1], saturation: 1 };
const CHANNELS = ["red", "green", "blue"];
/** @type {[string, string][]} */
const WAYS = [["look", "through the look"], ["view", "through its view alone"], ["recorded", "as it was recorded"], ["zones", "as zones of exposure"]];
/** What is drawn of a frame: its kind, its title, and how large. @type {[string, string, number, number][]} */
const SCOPES = [
  ["waveform", "Waveform", 450, 258], ["vectorscope", "Colours", 244, 258], ["histogram", "Histogram", 324, 258], ["parade", "Waveforms of red, green and blue", 450, 258],
];
/** @type {Record<string, string>} */
const STEP_NAMES = { exposure: "Exposure", cdl: "Grade", contrast: "Contrast", colour: "Colour", tint: "Tint" };

/** @type {import("../lib/page.js").Page} */
export default {
  title: "Look",
  async open(sheet, desk, query) {
    /** @type {[Look, Choices]} */
    let [told, choices] = await Promise.all([get("/api/look"), get("/api/look/choices")]);
    let source = query.get("source") ?? "";
    let beside = query.get("beside") ?? "";
    let way = query.get("way") ?? "look";
    let frame = Number(query.get("frame") ?? -1);
    let held = false; // the picture as it was recorded is shown for as long as a key is down

    /** A look that is not there yet is set as a whole, by its button. @param {object} body @param {boolean} [begun] */
    const set = (body, begun = told.look !== null) => (begun ? desk.change("/api/look", body) : fillers.forEach((fill) => fill()));

    // --- the colour path, one line a step -----------------------------------------------------------

    /** Each reads the look anew. @type {(() => void)[]} */
    const fillers = [];
    /** @param {import("../lib/fields.js").Field} field @param {(look: Path) => number} read */
    const filled = (field, read) => {
      fillers.push(() => told.look && field.fill(read(told.look)));
      return field.element;
    };
    /** @param {string} id @param {(look: Path) => string} [read] */
    const words = (id, read) => {
      const line = h("p", { class: "small", id });
      fillers.push(() => (line.textContent = told.look && read ? read(told.look) : ""));
      return line;
    };
    /** @param {string} name @param {string} title @param {...import("../lib/dom.js").Child} inside */
    const step = (name, title, ...inside) => h("li", { class: "step", "data-step": name }, h("h2", {}, title), h("div", { class: "step-fields" }, ...inside));

    const encoding = choice("Written in ", "input-space", (value) => set({ input_space: value }));
    const display = choice("Shown on ", "display", (value) => set({ display: value, view: choices.displays[value][0] }));
    const view = choice("by view ", "view", (value) => set({ view: value }));
    const mix = choice("Black and white ", "mix", (value) => set({ black_and_white: value }));
    const tint = choice("Colours ", "tint", (value) => set({ tint: value }));
    const table = choice("On the display code ", "table", (value) => set({ table: value }));
    fillers.push(() => {
      const look = told.look;
      weights.hidden = !look?.black_and_white;
      const displays = Object.keys(choices.displays);
      encoding.fill([...(look?.input_space ? [] : [/** @type {[string, string]} */ (["", "not said"])]), ...choices.spaces], look ? look.input_space ?? "" : encoding.select.value);
      display.fill(displays, look?.display ?? (display.select.value || displays[0]));
      const views = choices.displays[display.select.value] ?? [];
      view.fill(views, look?.view ?? (views.includes(view.select.value) ? view.select.value : views[0]));
      mix.fill([...(told.mix ? [] : [/** @type {[string, string]} */ (["", "weights of its own"])]), ...named(choices.mixes, "off, in colour")], told.mix);
      tint.fill([...(told.tint ? [] : [/** @type {[string, string]} */ (["", "of its own"])]), ...named(choices.tints, "none")], told.tint);
      const own = look?.table?.path ?? "";
      const name = own.split("/").at(-1) ?? "";
      table.fill([["off", "none"], ...[...new Set([...(name ? [name] : []), ...told.tables])].map((one) => /** @type {[string, string]} */ ([one, one]))], name || "off");
    });

    const encodingsInWords = () => (told.encodings.length === 1 && told.encodings[0].step
      ? `All takes, ${told.encodings[0].words.split(": ").at(-1)}.`
      : told.encodings.map((one) => `${one.step || "Not known"} (${one.words})`).join("; "));
    const channels = (/** @type {"slope" | "offset" | "power"} */ part) => [0, 1, 2].map((channel) =>
      h("td", {}, filled(number(`${part}, ${CHANNELS[channel]}`, { id: `${part}-${CHANNELS[channel]}`, step: part === "offset" ? 0.005 : 0.01, hidden: true }, (value) => {
        const now = /** @type {Triple} */ ([...(told.look?.cdl ?? AS_IT_IS)[part]]);
        now[channel] = value;
        return set({ [part]: now });
      }), (look) => (look.cdl ?? AS_IT_IS)[part][channel])));
    const weight = (/** @type {"red" | "green"} */ channel) => filled(number(channel, { id: `mix-${channel}`, step: 0.05, min: -2, max: 3 }, (value) => {
      const now = told.look?.black_and_white ?? { red: 0.2126, green: 0.7152, blue: 0.0722 };
      const [red, green] = channel === "red" ? [value, now.green] : [now.red, value];
      return set({ black_and_white: [red, green, Number((1 - red - green).toFixed(6))].join(",") });
    }), (look) => look.black_and_white?.[channel] ?? { red: 0.2126, green: 0.7152 }[channel]);

    const weights = h("div", { class: "field-group", role: "group", "aria-label": "Weights of the black-and-white mix" }, weight("red"), weight("green"),
      words("mix-blue", (look) => `blue takes the rest: ${look.black_and_white?.blue.toFixed(3)}`));

    const steps = h("ol", { class: "path" },
      step("encoding", "Camera", encoding.element, words("encodings-words", encodingsInWords)),
      step("exposure", STEP_NAMES.exposure, filled(number("Brighter by", { id: "exposure", step: 0.05, min: -16, max: 16, digits: 2, unit: "stops" }, (value) => set({ exposure_stops: value })), (look) => look.exposure_stops)),
      step("cdl", STEP_NAMES.cdl,
        h("div", { class: "scroll" }, h("table", { class: "channels" },
          h("thead", {}, h("tr", {}, h("td", {}), CHANNELS.map((one) => h("th", { scope: "col" }, one)))),
          h("tbody", {}, /** @type {const} */ (["slope", "offset", "power"]).map((part) => h("tr", {}, h("th", { scope: "row" }, part), channels(part))),
            h("tr", {}, h("th", { scope: "row" }, "saturation"), h("td", {},
              filled(number("Saturation of the grade", { id: "cdl-saturation", step: 0.05, min: 0, max: 16, hidden: true }, (value) => set({ cdl_saturation: value })), (look) => (look.cdl ?? AS_IT_IS).saturation))))))),
      step("contrast", STEP_NAMES.contrast,
        filled(number("Stops out for one in", { id: "contrast", step: 0.05, min: 0.05, max: 8 }, (value) => set({ contrast: value })), (look) => look.contrast),
        filled(number("about light", { id: "pivot", step: 0.01, min: 0.01, max: 16 }, (value) => set({ pivot: value })), (look) => look.pivot)),
      step("colour", STEP_NAMES.colour,
        filled(number("Saturation", { id: "saturation", step: 0.05, min: 0, max: 4 }, (value) => set({ saturation: value })), (look) => look.saturation),
        mix.element,
        weights),
      step("tint", STEP_NAMES.tint, tint.element),
      step("display", "Display", display.element, view.element),
      step("table", "Table", table.element, words("table-words", () => (told.table ? `Alone: ${told.table.words}` : "Tables that lie in the film’s folder or beside it are offered."))),
      step("black", "Black level",
        filled(number("What becomes 0 %", { id: "black", step: 0.1, min: 0, max: 49, digits: 2, unit: "%" }, (value) => set({ black: value ? String(value) : "off" })), (look) => 100 * Math.max(...(look.black?.level ?? [0]))),
        button("The measured floor", () => set({ black: "measured" }), { id: "measured-floor" }),
        button("As it is", () => set({ black: "off" }), { id: "black-off" }),
        words("floor-words", () => [told.table && `The table’s floor is ${told.table.floor_percent.toFixed(2)} %.`, told.whole && `All of the look: ${told.whole.words}`].filter(Boolean).join(" "))),
      step("texture", "Texture",
        filled(number("Grain", { id: "grain", step: 0.1, min: 0, max: 10, unit: "%" }, (value) => set({ grain_percent: value })), (look) => look.texture?.grain_percent ?? 0),
        filled(number("as wide as", { id: "grain-px", step: 0.25, min: 1, max: 8, unit: "pixels" }, (value) => set({ grain_px: value })), (look) => look.texture?.grain_px ?? 1),
        filled(number("Darker corners", { id: "vignette", step: 0.1, min: 0, max: 3, unit: "stops" }, (value) => set({ vignette_stops: value })), (look) => look.texture?.vignette_stops ?? 0)));

    /** Steps in light can change places; their lines stand in the order in which they act. */
    function drawOrder() {
      const order = told.look?.order ?? [];
      const lines = /** @type {HTMLElement[]} */ ([...steps.children]);
      const line = (/** @type {string} */ name) => /** @type {HTMLElement} */ (lines.find((one) => one.dataset.step === name));
      const wanted = ["encoding", ...order, "display", "table", "black", "texture"].map(line);
      if (wanted.some((one, place) => lines[place] !== one)) steps.replaceChildren(...wanted);
      for (const [place, name] of order.entries()) {
        const title = /** @type {HTMLElement} */ (line(name).querySelector("h2"));
        const to = (/** @type {number} */ by) => () => {
          const next = [...order];
          next.splice(place + by, 0, ...next.splice(place, 1));
          return set({ order: next });
        };
        title.replaceChildren(STEP_NAMES[name], h("span", { class: "moves" },
          button("sooner", to(-1), { disabled: place === 0, "aria-label": `Let ${STEP_NAMES[name]} act sooner`, "data-sooner": name }),
          button("later", to(1), { disabled: place === order.length - 1, "aria-label": `Let ${STEP_NAMES[name]} act later`, "data-later": name })));
      }
    }

    const first = h("div", { class: "first-look" });
    const path = h("section", { class: "path-side", "aria-label": "The colour path, in the order in which it acts" }, steps);

    // --- one frame, or two beside each other -----------------------------------------------------------

    const what = choice("Frame of", "source", (value) => turn({ source: value }));
    const other = choice("beside", "beside", (value) => turn({ beside: value }));
    const seen = choice("seen", "way", (value) => turn({ way: value }));
    const song = songSlider("song", (to) => turn({ frame: to }));
    const pictures = h("div", { class: "views" });
    const problem = h("p", { class: "decide", role: "alert", hidden: true });
    const frames = h("section", { class: "frame-side", "aria-label": "A frame and its scopes" },
      h("div", { class: "tools choices" }, what.element, other.element, seen.element),
      h("div", { class: "tools time" },
        button("Hold: recorded", () => {}, {
          id: "hold", "aria-keyshortcuts": "O", onpointerdown: () => hold(true), onpointerup: () => hold(false), onpointerleave: () => hold(false),
          onkeydown: (/** @type {KeyboardEvent} */ event) => [" ", "Enter"].includes(event.key) && hold(true),
          onkeyup: () => hold(false),
        }),
        song.slider, song.words),
      problem, pictures);

    const takes = h("section", { class: "takes-light" });
    const body = h("div", { class: "look-sheet" }, path, frames);
    sheet.append(desk.progress(JOB), first, body, takes);

    const spanOf = (/** @type {string} */ name) => told.sources.find((one) => one.source === name);

    /** @param {{source?: string, beside?: string, way?: string, frame?: number}} to */
    function turn(to) {
      ({ source, beside, way, frame } = { source, beside, way, frame, ...to });
      settle();
      desk.link({ source, beside: beside || null, way: way === "look" ? null : way, frame });
      void show();
    }

    /** Keep what is shown within what there is. */
    function settle() {
      const names = told.sources.map((one) => one.source);
      if (!names.includes(source)) source = names.find((one) => one !== WIDE) ?? names[0] ?? "";
      if (!names.includes(beside) || beside === source) beside = "";
      const span = spanOf(source);
      if (span && !(frame >= span.first && frame < span.stop)) frame = Math.floor((span.first + span.stop) / 2);
      what.fill(names.map((one) => [one, one === WIDE ? "the merged wide" : one]), source);
      other.fill([["", "nothing"], ...names.filter((one) => one !== source).map((one) => /** @type {[string, string]} */ ([one, one === WIDE ? "the merged wide" : one]))], beside);
      seen.fill(WAYS, way);
      song.show(told, Math.max(0, frame));
    }

    /** @type {Map<string, Promise<Viewed>>} */
    const asked = new Map();

    /** The frame of what lies beside it: a take that has no picture at that moment shows its nearest one. @param {string} name */
    function nearest(name) {
      const span = spanOf(name);
      return span ? Math.max(span.first, Math.min(span.stop - 1, frame)) : frame;
    }

    /** @param {string} name @param {string} through @returns {Promise<Viewed>} */
    function viewed(name, through) {
      const way = through === "zones" ? "look" : through;
      const at = nearest(name);
      const key = JSON.stringify([name, at, way, way === "recorded" || [told.look, told.takes]]);
      const known = asked.get(key) ?? get("/api/look/view", { source: name, frame: at, way });
      asked.set(key, known);
      known.catch(() => asked.delete(key)); // it may be there the next time
      if (asked.size > 60) asked.delete(/** @type {string} */ (asked.keys().next().value));
      return known;
    }

    let [busy, again, idle] = [false, false, 0];

    /** Draw what is looked at: one after the other, and of those that were asked for meanwhile the last one only. */
    async function show() {
      again = true;
      if (busy) return;
      busy = true;
      clearTimeout(idle);
      while (again) {
        again = false;
        await drawn();
      }
      busy = false;
      // What the key shows is made ready while nothing else is wanted.
      idle = setTimeout(() => shownNames().forEach((name) => viewed(name, "recorded").catch(() => null)), IDLE_MS);
    }

    const shownNames = () => (told.look && source ? [source, ...(beside ? [beside] : [])] : []);

    async function drawn() {
      const [names, through] = [shownNames(), held ? "recorded" : way];
      if (!names.length) return;
      try {
        const found = await Promise.all(names.map((name) => viewed(name, through)));
        const figures = await Promise.all(found.map((one, place) => figure(names[place], one, through)));
        problem.hidden = true;
        pictures.classList.toggle("two", figures.length > 1);
        pictures.replaceChildren(...figures);
        sheet.dataset.view = found.map((one) => one.key).join(" ");
      } catch (refused) {
        problem.hidden = false;
        problem.textContent = refused instanceof Error ? refused.message : String(refused);
        pictures.replaceChildren();
      }
    }

    /** @param {string} name @param {Viewed} found @param {string} through */
    async function figure(name, found, through) {
      const levels = `luma from ${found.luma_percent[0].toFixed(2)} to ${found.luma_percent[1].toFixed(2)} %`;
      const picture = /** @type {HTMLImageElement} */ (h("img", { class: "view-picture", alt: `${found.what}, ${WAYS.find(([one]) => one === through)?.[1]}`, src: `/media/views/${found.key}/${through === "zones" ? "zones" : "picture"}` }));
      const drawn = SCOPES.map(([kind, title, width, height]) => /** @type {HTMLImageElement} */ (h("img", { "data-scope": kind, alt: `${title} of ${name}: ${levels}`, width, height, src: `/media/views/${found.key}/${kind}` })));
      await Promise.all([picture, ...drawn].map((one) => one.decode().catch(() => null)));
      return h("figure", { class: "view", "data-source": name },
        h("div", { class: "surround" }, picture),
        h("figcaption", { class: "small" }, `${found.what}, ${WAYS.find(([one]) => one === through)?.[1]}.`),
        h("div", { class: "scopes" }, drawn),
        h("ul", { class: "numbers" }, found.words.map((one) => h("li", {}, one))));
    }

    /** @param {boolean} on */
    function hold(on) {
      if (held === on) return;
      held = on;
      void show();
    }
    const released = (/** @type {Event} */ event) => {
      if (!(event instanceof KeyboardEvent) || event.key.toLowerCase() === "o") hold(false);
    };
    document.addEventListener("keyup", released);
    addEventListener("blur", released);

    // --- takes and their own light -----------------------------------------------------------------------

    function drawTakes() {
      takes.hidden = !told.takes.length || !told.look;
      if (takes.hidden || takes.contains(document.activeElement) && document.activeElement?.matches("input")) {
        for (const fill of takeFillers) fill();
        return;
      }
      const had = takes.contains(document.activeElement) ? document.activeElement?.getAttribute("aria-label") : null;
      takeFillers.length = 0;
      takes.replaceChildren(
        h("h2", {}, "The takes’ own light, before all else"),
        h("p", { class: "small" }, "A take is matched by what it shows alike with the one whose light stood where its own did. A stage take is multiplied only, so that the merge stays right."),
        h("div", { class: "scroll" }, h("table", { class: "grades" },
          h("thead", {}, h("tr", {}, ["Take", "Red", "Green", "Blue", "How it came to it", ""].map((one) => (one ? h("th", { scope: "col" }, one) : h("td", {}))))),
          h("tbody", {}, told.takes.map((one) => gradeRow(one))))),
        h("div", { class: "tools" }, button("Match all that nobody set by hand", () => desk.begin(JOB, "/api/look/match", {}), { id: "match-all" })));
      if (had) /** @type {HTMLElement | null} */ (takes.querySelector(`[aria-label="${CSS.escape(had)}"]`))?.focus();
    }
    /** @type {(() => void)[]} */
    const takeFillers = [];

    /** @param {Graded} one */
    function gradeRow(one) {
      const now = () => told.takes.find((take) => take.take === one.take) ?? one;
      const address = `/api/look/takes/${encodeURIComponent(one.take)}/grade`;
      const fields = [0, 1, 2].map((channel) => {
        const field = number(`${one.take}, ${CHANNELS[channel]} is multiplied by`, { id: `grade-${one.take}-${channel}`, step: 0.01, min: 0.01, max: 100, hidden: true }, (value) => {
          const slope = /** @type {Triple} */ ([...now().grade.slope]);
          slope[channel] = value;
          return desk.change(address, { slope });
        });
        const fill = () => field.fill(now().grade.slope[channel]);
        takeFillers.push(fill);
        fill();
        return h("td", {}, field.element);
      });
      const how = h("td", { class: "small" });
      const tell = () => (how.textContent = now().sentence || (now().words === "none" ? "As it was recorded." : now().words));
      takeFillers.push(tell);
      tell();
      return h("tr", {},
        h("th", { scope: "row" }, one.take, h("span", { class: "small" }, ` ${one.part}`)),
        fields,
        how,
        h("td", {}, h("div", { class: "tools" },
          one.hero && button("Match", () => desk.begin(JOB, "/api/look/match", { takes: [one.take] }), { "aria-label": `Match ${one.take} to ${one.hero}` }),
          one.hero && button("Compare", () => turn({ source: one.hero, beside: one.take }), { "aria-label": `Compare ${one.take} with ${one.hero}`, "data-compare": one.take }),
          one.words !== "none" && button("Take away", () => desk.change(address, { off: true }), { "aria-label": `Take away the grade of ${one.take}` }))));
    }

    // --- begin -----------------------------------------------------------------------------------------------

    function draw() {
      for (const fill of fillers) fill();
      first.replaceChildren(...(told.look ? [] : [
        h("p", { class: "lead" }, "There is no look yet. Say what the cameras wrote and what the film is watched on."),
        h("div", { class: "tools" }, encoding.element, display.element, view.element,
          button("Set the look", () => set({ input_space: encoding.select.value || undefined, display: display.select.value, view: view.select.value }, true), { id: "set-look" })),
      ]));
      body.hidden = !told.look;
      if (told.look) {
        // The same fields serve both: they go back to their lines.
        place("encoding", encoding.element);
        place("display", display.element, view.element);
        drawOrder();
      }
      frames.hidden = !told.sources.length;
      settle();
      drawTakes();
    }

    /** @param {string} name @param {...HTMLElement} fields */
    function place(name, ...fields) {
      const line = /** @type {HTMLElement} */ (steps.querySelector(`[data-step="${name}"] .step-fields`));
      if (!line.contains(fields[0])) line.prepend(...fields);
    }

    draw();
    await show();
    return {
      async changed() {
        told = await get("/api/look");
        draw();
        await show();
        sheet.dataset.revision = String(desk.film.revision);
      },
      keys: [["O, held", "the frame as it was recorded, for as long as the key is down"], ["← →", "a frame back or on; with Shift a bar"], ["T", "the next take; with Shift the one before"]],
      key(event) {
        const to = spanOf(source) && steppedBy(event, told, frame);
        if (typeof to === "number") turn({ frame: to });
        else if (!desk.singleKeys()) return false;
        else if (event.key.toLowerCase() === "o") hold(true);
        else if (event.key.toLowerCase() === "t") {
          const names = told.sources.map((one) => one.source);
          turn({ source: names[(names.indexOf(source) + (event.shiftKey ? names.length - 1 : 1)) % names.length] });
        } else return false;
        return true;
      },
      close() {
        clearTimeout(idle);
        document.removeEventListener("keyup", released);
        removeEventListener("blur", released);
      },
    };
  },
};

/** @param {string[]} presets @param {string} off @returns {[string, string][]} */
function named(presets, off) {
  return presets.map((one) => [one, one === "off" ? off : one]);
}
