// Stage: the frame as it will be merged, with the masks through which the players show. A hand moves them; so do keys.
import { get } from "../lib/api.js";
import { button, h, svg } from "../lib/dom.js";
import { choice } from "../lib/fields.js";
import { curtain } from "../lib/flashing.js";
import { centreOf, dragged, maskShapes, pressed, shapeAt, shapeInWords, topOf } from "../lib/masks.js";
import { crossingMark, patchMarks, seamMarks, seamsAt, showsLists } from "../lib/shows.js";
import { barAt, placeInWords, songSlider, steppedBy } from "../lib/song.js";
import { Preview } from "../preview.js";

/** @typedef {import("../lib/masks.js").Shape} Shape */
/** @typedef {import("../lib/masks.js").Held} Held */
/** @typedef {{take: string, part: string, shape: Shape | null, keys: import("../lib/masks.js").Key[], feather_px: number, words: string}} Layer */
/** @typedef {import("../preview.js").Plan & {method: string, left_out: string, in_the_way: string, has_wide: boolean, atlas_ready: boolean, layers: Layer[], bars: number[]}} Stage */

const JOB = "atlas";
const ONE = "frame"; // the job that merges one frame
const NEW_PATCH = "new-patch";
/** What each way to merge gives, and what it costs; figures of docs/performance.md. @type {Record<string, {name: string, words: string}>} */
const METHODS = {
  masks: { name: "Through masks", words: "Takes lie over each other through their ovals and curves. Between the spots the room is as one take shows it. The quickest: 84 ms of one processor for a frame of seven takes at 3840 × 2160." },
  "light-sum": { name: "Light added", words: "The takes’ light is added, so that every lamp is on at once, with its true shadows; masks are not used. A player before ground that another lamp lights is seen through. It looks at every pixel of every take: some five times the work of masks." },
  combined: { name: "Light added, players over it", words: "The light of the room is added, and each player laid over it through a soft matte of his own. It works best with plates of the room under each lamp. Some ten times the work of masks: 0.4 s of one processor for a frame of four takes at 3840 × 2160." },
};

/** @type {import("../lib/page.js").Page} */
export default {
  title: "Stage",
  async open(sheet, desk, query) {
    /** @type {[Stage, import("../lib/shows.js").Shows]} */
    let [stage, shows] = await Promise.all([get("/api/stage"), get("/api/stage/shows")]);
    /** @type {{jobs: import("../lib/page.js").Job[]}} */
    const { jobs } = await get("/api/jobs");
    let chosen = query.get("take") ?? "";
    let whole = true; // the whole frame fits the page, instead of one pixel of the film on one of the screen
    let grasped = false; // a hand is on an oval
    let redrawing = false; // the element that has the keyboard is being replaced, which it takes for losing it
    let stream = 0; // rises when the atlas is another one
    let marked = true; // masks, seams and patches are drawn over the picture
    let lifted = ""; // the warning of flashing pictures that a person went past
    let crossing = -1; // the crossing that is stepped to
    let asked = -1; // the frame that is being merged, or is shown merged
    /** The way to the frame that was sought last. @type {Promise<unknown>} */
    let under = Promise.resolve();
    let weighed = jobs.find((job) => job.kind === "weigh")?.sentence ?? ""; // what was measured of adding light
    /** Shapes on their way, before the film holds them. @type {Map<string, Held>} */
    const held = new Map();

    const canvas = /** @type {HTMLCanvasElement} */ (h("canvas", { role: "img", "aria-label": "The preview" }));
    const video = /** @type {HTMLVideoElement} */ (h("video", { class: "stream", preload: "auto", playsinline: true, "aria-hidden": "true", tabindex: "-1" }));
    const marks = svg("svg", { class: "ovals", "aria-label": "The masks" });
    const merged = /** @type {HTMLImageElement} */ (h("img", { class: "merged", alt: "", hidden: true })); // a frame as the film merges it, over the preview
    const frame = h("div", { class: "frame" }, canvas, merged, marks, video);
    const surround = h("div", { class: "surround stage-picture" }, frame);
    const notes = h("div", { class: "notes" });
    const warning = h("div");
    const tools = h("div", { class: "tools", role: "group", "aria-label": "What is shown" });
    const song = songSlider("song", (to) => void seek(to));
    const ticks = h("datalist", { id: "key-times" });
    song.slider.setAttribute("list", "key-times");
    const time = h("div", { class: "tools time" });
    const list = h("ol", { class: "layers" });
    const ways = h("section", { class: "ways" });
    const below = h("div", { class: "shows-lists" });
    const lines = Object.fromEntries(["seams", "crossings", "patch", "weigh"].map((kind) => [kind, desk.progress(kind)]));
    sheet.append(notes, desk.progress(JOB), desk.progress("propose"), tools, warning, surround, time, ticks, desk.progress(ONE),
      h("section", {}, h("h2", {}, "Layers, the front one first"), list), below, ways);
    const from = choice("Cover a fault from", "patch-source", () => {});
    const span = choice("", "patch-span", () => {});

    const preview = new Preview(canvas, video);
    preview.mode = query.get("show") ?? "wide";
    preview.frame = Number(query.get("frame")) || 0;
    preview.onframe = (at) => {
      if (at !== asked) unmerge();
      song.show(stage, at);
      sheet.dataset.frame = String(at);
      if (stage.layers.some((one) => one.keys.length)) drawMarks();
    };

    // --- drawing ---------------------------------------------------------------------------------

    const layer = (/** @type {string} */ take) => stage.layers.find((one) => one.take === take);
    /** A mask as a hand has it, or as the film has it at this frame. @param {string} take @returns {Held | null} */
    const shape = (take) => {
      const one = layer(take);
      return held.get(take) ?? (one?.shape ? { shape: shapeAt(one.shape, one.keys, preview.frame), feather_px: one.feather_px } : null);
    };
    const keyHere = (/** @type {Layer | undefined} */ one) => one?.keys.find((key) => key.frame === preview.frame);
    const letters = () => stage.height / 30;

    function draw() {
      drawNotes();
      const shown = stage.width > 0 && stage.layers.length > 0;
      surround.hidden = tools.hidden = time.hidden = !shown;
      canvas.hidden = !stage.atlas_ready; // what it shows may be of another way to merge
      if (!shown) {
        list.replaceChildren();
        return;
      }
      frame.style.setProperty("--shape", `${stage.width} / ${stage.height}`);
      frame.style.setProperty("--ratio", String(stage.width / stage.height));
      frame.style.setProperty("--across", `${stage.width}px`);
      frame.classList.toggle("whole", whole);
      marks.setAttribute("viewBox", `-0.5 -0.5 ${stage.width} ${stage.height}`);
      drawTools();
      drawMarks();
      drawList();
      drawBelow();
      drawWays();
    }

    function drawNotes() {
      const standIn = !preview.can && stage.layers.length > 0;
      notes.replaceChildren(...[
        stage.in_the_way && h("p", { class: stage.has_wide ? "decide" : "" }, stage.in_the_way),
        stage.has_wide && !stage.layers.length && button("Propose ovals", () => desk.begin("propose", "/api/stage/propose"), { id: "propose" }),
        stage.left_out && h("p", { id: "left-out" }, stage.left_out),
        standIn && h("p", { id: "stand-in" }, "This browser has no WebGL 2, so the picture is the merged wide as it was made by partsong stage merge. It does not follow the ovals."),
        standIn && h("img", { class: "stand-in", alt: "The merged wide", src: `/media/pictures/wide/${preview.frame}` }),
        !stage.atlas_ready && !stage.in_the_way && preview.can && h("p", {},
          button("Prepare the preview", () => desk.begin(JOB, "/api/stage/atlas"), { id: "prepare-preview" }),
          ` makes one small film of all takes${stage.method === "masks" ? "" : ", and of the wide with their light added"}, so that they can be seen together.`),
      ].filter(Boolean).map((one) => /** @type {Node} */ (one)));
    }

    function drawTools() {
      const views = [["wide", "Merged"], ["cut", "As cut"], ...stage.layers.map((one) => [one.take, one.part])];
      tools.replaceChildren(
        ...views.filter(([view]) => view !== "cut" || stage.cut.length).map(([view, words]) =>
          button(words, () => show(view), { "aria-pressed": String(preview.mode === view), "data-show": view })),
        h("span", { class: "gap" }),
        button("Marks", toggleMarks, { "aria-pressed": String(marked), id: "marks", "aria-keyshortcuts": "M" }),
        button("Fit", () => fit(true), { "aria-pressed": String(whole), id: "fit", "aria-keyshortcuts": "F" }),
        button("100 %", () => fit(false), { "aria-pressed": String(!whole), id: "actual", "aria-keyshortcuts": "F" }));
      song.show(stage, preview.frame);
      ticks.replaceChildren(...(layer(chosen)?.keys ?? []).map((key) => h("option", { value: key.frame })));
      time.replaceChildren(
        button(video.paused ? "Play" : "Stop", toggle, { id: "play", disabled: !stage.atlas_ready || !preview.can, "aria-keyshortcuts": "Space" }),
        button("Repeat this bar", repeat, { id: "repeat", "aria-pressed": String(preview.loop !== null), disabled: !stage.bars.length, "aria-keyshortcuts": "B" }),
        button("Merge this frame", mergeHere, { id: "merge-frame", "aria-pressed": String(!merged.hidden), disabled: Boolean(stage.in_the_way), "aria-keyshortcuts": "E" }),
        song.slider, song.words);
    }

    function drawMarks() {
      const active = document.activeElement instanceof Element && marks.contains(document.activeElement) ? document.activeElement : null;
      const had = active?.closest("[data-oval]")?.getAttribute("data-oval");
      const part = active?.getAttribute("data-handle");
      redrawing = true;
      const seen = marked && preview.mode === "wide";
      const masks = seen ? [...stage.layers.map((one) => one.take), NEW_PATCH].filter((take) => shape(take)) : [];
      marks.replaceChildren(
        ...(seen && shows.seams && stage.method === "masks" ? [seamMarks(seamsAt(shows.seams, preview.frame), letters() * 0.8, stage.height * 0.6)] : []),
        ...(seen ? [patchMarks(shows.patches, preview.frame, letters() * 0.8)] : []),
        ...(seen && shows.crossings?.[crossing] ? [crossingMark(shows.crossings[crossing], letters() * 0.8)] : []),
        ...masks.map(maskMark));
      if (had) /** @type {SVGElement | null} */ (marks.querySelector(`[data-oval="${CSS.escape(had)}"]${part ? ` [data-handle="${part}"]` : ""}`))?.focus();
      redrawing = false;
    }

    /** @param {string} take */
    function maskMark(take) {
      const now = /** @type {Held} */ (shape(take));
      const mine = take === chosen;
      const name = layer(take)?.part ?? "New patch";
      const kind = now.shape.kind === "oval" ? "Oval" : "Curve";
      return svg("g", {
        class: mine ? "oval chosen" : "oval", tabindex: "0", role: now.shape.kind === "oval" || !mine ? "button" : "group", "data-oval": take,
        "aria-label": `${kind} of ${name}. ${shapeInWords(now.shape, now.feather_px)}`, "aria-pressed": now.shape.kind === "oval" || !mine ? String(mine) : undefined,
        onkeydown: (/** @type {KeyboardEvent} */ event) => keyed(event, take),
        onkeyup: () => commit(take),
        onfocusout: () => grasped || redrawing || commit(take),
        onfocusin: () => choose(take),
        onpointerdown: (/** @type {PointerEvent} */ event) => grabbed(event, take),
      }, maskShapes(now, mine, stage.width / 110),
      svg("text", { class: "oval-name", x: centreOf(now.shape).x, y: topOf(now.shape) + stage.height / 26, "text-anchor": "middle", "font-size": letters() }, name));
    }

    function drawList() {
      const inList = document.activeElement instanceof HTMLElement && list.contains(document.activeElement) ? document.activeElement.id : "";
      list.replaceChildren(...[...stage.layers].reverse().map((one, place) => {
        const now = shape(one.take);
        const at = stage.layers.length - 1 - place;
        const feather = now && h("input", { type: "number", id: `feather-${one.take}`, min: 0, max: 2000, step: 1, value: Math.round(now.feather_px),
          onchange: (/** @type {Event} */ event) => soften(one.take, Number(/** @type {HTMLInputElement} */ (event.target).value)) });
        return h("li", { class: one.take === chosen ? "layer chosen" : "layer" },
          h("span", { class: "layer-name" }, one.part, " ", h("span", { class: "small" }, one.take)),
          h("span", { class: "layer-words small", "data-words": one.take }, now ? shapeInWords(now.shape, now.feather_px) : one.words),
          now && h("label", { for: `feather-${one.take}`, class: "small" }, "Soft edge, pixels ", feather),
          button("Forward", () => reorder(at, at + 1), { disabled: at === stage.layers.length - 1, "aria-label": `Bring ${one.part} forward`, id: `forward-${one.take}` }),
          button("Back", () => reorder(at, at - 1), { disabled: at === 0, "aria-label": `Send ${one.part} back`, id: `back-${one.take}` }),
          now && keysOf(one));
      }));
      if (inList) document.getElementById(inList)?.focus();
    }

    /** The moments at which a mask is set, and what can be done with them. @param {Layer} one */
    function keysOf(one) {
      const here = keyHere(one);
      const address = `/api/stage/takes/${encodeURIComponent(one.take)}/keys`;
      const to = here && h("input", { type: "number", id: `key-${one.take}`, min: 0, max: stage.frames - 1, step: 1, value: here.frame,
        onchange: async (/** @type {Event} */ event) => {
          const frame = Number(/** @type {HTMLInputElement} */ (event.target).value);
          if (await desk.change(address, { frame: here.frame, to: frame })) await seek(frame);
        } });
      return h("div", { class: "keys small" },
        one.keys.length ? `${one.part} is set at ` : "Set for the whole song. ",
        one.keys.map((key) => button(placeInWords(stage, key.frame).replace(/, frame.*/, ""), () => { choose(one.take); return seek(key.frame); },
          { class: "finding", "aria-pressed": String(key === here), "data-key": key.frame, id: `at-${one.take}-${key.frame}`, "aria-label": `Go to where ${one.part} is set: ${placeInWords(stage, key.frame)}` })),
        !here && button("Set it at this moment", () => commit(one.take, true), { class: "finding", id: `pin-${one.take}`, "aria-label": `Set it at this moment: ${one.part}` }),
        here && h("label", { for: `key-${one.take}` }, " this one at frame ", to),
        here && button("Take this one away", () => desk.change(address, { frame: here.frame }), { class: "finding", id: `unpin-${one.take}`, "aria-label": `Take this one away: ${one.part}` }));
    }

    function drawBelow() {
      from.fill(shows.sources, from.select.value || shows.sources[0]);
      span.fill([["all", "all through the song"], ["from", "from this moment on"], ["to", "up to this moment"]], span.select.value || "all");
      const begun = shape(NEW_PATCH);
      below.replaceChildren(...showsLists(shows, {
        begin: (kind, path) => desk.begin(kind, path),
        go: (frame, take) => go(frame, take),
        remove: (number) => desk.change("/api/stage/patches/remove", { number }),
        progress: (kind) => lines[kind],
      }, h("div", { class: "tools" }, begun
        ? [h("span", {}, `The new patch: ${shapeInWords(begun.shape, begun.feather_px)} Drag it, or move it with the arrow keys. `), from.element, span.element,
          button("Lay it there", layPatch, { id: "lay-patch" }), button("Leave it", () => { held.delete(NEW_PATCH); draw(); }, { id: "leave-patch" })]
        : [button("Cover a fault", beginPatch, { id: "new-patch" })])));
    }

    function drawWays() {
      ways.replaceChildren(h("div", {}, h("h2", {}, "How the takes are merged"),
        h("div", { class: "tools", role: "group", "aria-label": "How the takes are merged" }, Object.entries(METHODS).map(([method, { name }]) =>
          button(name, () => desk.change("/api/stage/method", { method }), { "aria-pressed": String(method === stage.method), "data-method": method }))),
        h("p", { id: "method-words" }, METHODS[stage.method].words),
        stage.method !== "masks" && h("div", { class: "tools" }, button("Measure where adding goes wrong", () => desk.begin("weigh", "/api/stage/weigh"), { id: "weigh" })),
        lines.weigh,
        stage.method !== "masks" && weighed && h("p", { id: "weighed" }, weighed)));
    }

    // --- what a person does ----------------------------------------------------------------------

    /** @param {string} take */
    function choose(take) {
      if (take === chosen) return;
      chosen = take;
      desk.link({ take: take === NEW_PATCH ? null : take });
      drawMarks();
      drawList();
      ticks.replaceChildren(...(layer(take)?.keys ?? []).map((key) => h("option", { value: key.frame })));
    }

    /** @param {string} take @param {Shape} next @param {number} [feather_px] @param {boolean} [moving] */
    function hold(take, next, feather_px, moving = true) {
      const now = shape(take);
      if (!now) return;
      const mine = { shape: next, feather_px: feather_px ?? now.feather_px };
      held.set(take, mine);
      if (take !== NEW_PATCH) {
        const [oval, curve] = next.kind === "oval" ? [next, null] : [null, next.points];
        preview.moved.set(take, { oval, curve, feather_px: mine.feather_px });
      }
      unmerge();
      preview.draw(moving);
      drawMarks();
    }

    /**
     * Send what a hand made of a mask: one action, one revision. A mask with keys is set at this frame, and so is any if `here`.
     * @param {string} take @param {boolean} [here] @returns {Promise<void>}
     */
    async function commit(take, here = false) {
      const one = layer(take);
      const now = here ? shape(take) : held.get(take);
      if (!now || !one?.shape || waiting.has(take)) return;
      const before = { shape: shapeAt(one.shape, one.keys, preview.frame), feather_px: one.feather_px };
      if (!here && JSON.stringify(now) === JSON.stringify(before)) {
        preview.draw();
        return;
      }
      waiting.add(take);
      const frame = one.keys.length || here ? preview.frame : null;
      const address = `/api/stage/takes/${encodeURIComponent(take)}`;
      const { shape: form, feather_px } = now;
      const done = form.kind === "curve"
        ? await desk.change(`${address}/curve`, { points: form.points.map(({ x, y }) => [x, y]), feather_px, frame })
        : await desk.change(`${address}/oval`, { x: form.x, y: form.y, rx: form.rx, ry: form.ry, rotation_deg: form.rotation_deg, feather_px, frame });
      waiting.delete(take);
      if (done && held.has(take) && held.get(take) !== now) return grasped ? undefined : commit(take); // it was moved on meanwhile, or still is
      release(take);
      preview.draw();
      draw();
    }
    /** @type {Set<string>} */
    const waiting = new Set();

    /** @param {string} take */
    function release(take) {
      held.delete(take);
      preview.moved.delete(take);
    }

    /** @param {PointerEvent} event @param {string} take */
    function grabbed(event, take) {
      event.preventDefault();
      const now = shape(take);
      if (!now || event.button !== 0) return;
      const part = event.target instanceof Element ? event.target.getAttribute("data-handle") ?? "move" : "move";
      choose(take);
      const group = marks.querySelector(`[data-oval="${CSS.escape(take)}"]`);
      /** @type {SVGElement | null} */ (group?.querySelector(`[data-handle="${part}"][tabindex]`) ?? group)?.focus();
      const start = at(event);
      const begun = now.shape;
      grasped = true;
      marks.setPointerCapture(event.pointerId);
      const follow = (/** @type {Event} */ next) => hold(take, dragged(begun, part, start, at(/** @type {PointerEvent} */ (next))));
      const ended = () => {
        grasped = false;
        marks.removeEventListener("pointermove", follow);
        marks.removeEventListener("pointerup", ended);
        marks.removeEventListener("pointercancel", ended);
        void commit(take);
      };
      marks.addEventListener("pointermove", follow);
      marks.addEventListener("pointerup", ended);
      marks.addEventListener("pointercancel", ended);
    }

    /** Where on the film a pointer is. @param {PointerEvent} event */
    function at(event) {
      const box = marks.getBoundingClientRect();
      return { x: ((event.clientX - box.left) / box.width) * stage.width - 0.5, y: ((event.clientY - box.top) / box.height) * stage.height - 0.5 };
    }

    /** @param {KeyboardEvent} event @param {string} take */
    function keyed(event, take) {
      const now = shape(take);
      const part = event.target instanceof Element ? event.target.getAttribute("data-handle") ?? undefined : undefined;
      const next = now && pressed(now.shape, event, Math.max(1, Math.round(stage.width / 320)), part);
      if (!next) return;
      event.preventDefault();
      event.stopPropagation();
      hold(take, next);
    }

    /** @param {string} take @param {number} feather_px */
    function soften(take, feather_px) {
      const now = shape(take);
      if (!now || !Number.isFinite(feather_px)) return;
      hold(take, now.shape, feather_px, false);
      void commit(take);
    }

    /** @param {number} from @param {number} to */
    function reorder(from, to) {
      const takes = stage.layers.map((one) => one.take);
      takes.splice(to, 0, ...takes.splice(from, 1));
      return desk.change("/api/stage/order", { takes });
    }

    /** Show this frame as the film merges it, or the preview again. */
    async function mergeHere() {
      if (!merged.hidden) return unmerge();
      if (!video.paused) await preview.pause();
      await under;
      if (preview.mode !== "wide") await show("wide");
      asked = preview.frame;
      await desk.begin(ONE, "/api/stage/frame", { frame: asked });
    }

    function unmerge() {
      asked = -1;
      if (merged.hidden) return;
      merged.hidden = true;
      drawTools();
    }

    async function unveil() {
      const at = asked;
      if (at < 0) return;
      merged.src = `/media/merged/${at}?of=${desk.film.revision}`;
      merged.alt = `${placeInWords(stage, at)}, as the film merges it`;
      await merged.decode();
      if (at !== asked) return; // somebody went on meanwhile
      merged.hidden = false;
      drawTools();
    }

    /** @param {string} view */
    async function show(view) {
      unmerge();
      preview.mode = view;
      desk.link({ show: view === "wide" ? null : view });
      draw();
      await seek(preview.frame);
    }

    /** @param {boolean} fits */
    function fit(fits) {
      whole = fits;
      draw();
      preview.draw();
    }

    /** @param {number} to */
    async function seek(to) {
      if (stage.atlas_ready && preview.can) await (under = preview.show(to));
      else preview.onframe(preview.frame = Math.max(0, Math.min(stage.frames - 1, to)));
      desk.link({ frame: preview.frame || null });
      if (!preview.can) drawNotes(); // the picture that stands in
      drawList();
    }

    /** Play, or stop; a warning comes first where it is not known that nothing flashes. */
    async function toggle() {
      if (!stage.atlas_ready || !preview.can) return;
      if (!video.paused) await preview.pause();
      else {
        /** @type {import("../lib/flashing.js").Flashing} */
        const flashing = await get("/api/cut/flashing");
        if (flashing.state !== "safe" && lifted !== flashing.sentence) {
          const lift = () => { lifted = flashing.sentence; warning.replaceChildren(); return toggle(); };
          warning.replaceChildren(curtain(flashing.sentence, "Play it all the same", lift));
          /** @type {HTMLElement} */ (warning.querySelector(".watch")).focus();
          return;
        }
        await preview.play();
      }
      drawTools();
    }

    function repeat() {
      const bar = barAt(stage.bars, preview.frame);
      preview.loop = preview.loop || bar < 0 ? null : [stage.bars[bar], stage.bars[bar + 1] ?? stage.frames];
      drawTools();
    }

    function toggleMarks() {
      marked = !marked;
      drawTools();
      drawMarks();
    }

    /** Go to where something shows. @param {number} frame @param {string} [take] */
    async function go(frame, take) {
      crossing = take ? shows.crossings?.findIndex((one) => one.frame === frame && one.take === take) ?? -1 : -1;
      if (preview.mode !== "wide") await show("wide");
      if (take) choose(take);
      await seek(frame);
      drawMarks();
    }

    /** @param {number} by */
    function stepCrossing(by) {
      const all = shows.crossings ?? [];
      if (!all.length) return desk.say(shows.crossings ? "Nobody crosses the edge of a mask." : "Nobody has looked for crossings yet.");
      const next = (Math.max(crossing, by > 0 ? -1 : 0) + by + all.length) % all.length;
      desk.say(all[next].sentence);
      return go(all[next].frame, all[next].take);
    }

    /** @param {number} by */
    function stepKey(by) {
      const keys = layer(chosen)?.keys ?? [];
      const next = by > 0 ? keys.find((key) => key.frame > preview.frame) : keys.findLast((key) => key.frame < preview.frame);
      if (next) return seek(next.frame);
      return desk.say(keys.length ? "There is no other moment that way." : "Choose a layer that is set at several moments first.");
    }

    function beginPatch() {
      const [rx, ry] = [stage.width / 16, stage.height / 12].map(Math.round);
      held.set(NEW_PATCH, { shape: { kind: "oval", x: Math.round(stage.width / 2), y: Math.round(stage.height / 2), rx, ry, rotation_deg: 0 }, feather_px: Math.round(stage.width / 50) });
      marked = true;
      chosen = NEW_PATCH;
      draw();
      /** @type {SVGElement | null} */ (marks.querySelector(`[data-oval="${NEW_PATCH}"]`))?.focus();
    }

    async function layPatch() {
      const now = held.get(NEW_PATCH);
      if (!now || now.shape.kind !== "oval") return;
      const { x, y, rx, ry, rotation_deg } = now.shape;
      const when = span.select.value;
      await desk.begin("patch", "/api/stage/patches", { source: from.select.value, x, y, rx, ry, rotation_deg, feather_px: now.feather_px,
        start: when === "from" ? preview.frame : null, end: when === "to" ? preview.frame : null });
    }

    video.addEventListener("ended", drawTools);

    // --- begin -----------------------------------------------------------------------------------

    async function ready() {
      delete sheet.dataset.preview; // until it is opened as the film is now
      draw();
      if (!stage.atlas_ready || stage.in_the_way || !preview.can) return;
      try {
        await preview.open(stage, `/media/atlas?${stream}`);
        sheet.dataset.preview = "drawn";
      } catch (problem) {
        notes.append(h("p", { class: "decide" }, problem instanceof Error ? problem.message : String(problem)));
      }
    }

    async function changed() {
      const before = JSON.stringify(stage.tiles);
      const [now, found] = await Promise.all([get("/api/stage"), get("/api/stage/shows")]);
      shows = found;
      if (JSON.stringify(now.tiles) !== before || now.atlas_ready !== stage.atlas_ready) stream += 1;
      stage = now;
      unmerge();
      for (const take of [...held.keys()]) if (!waiting.has(take) && take !== NEW_PATCH) release(take);
      await ready();
      sheet.dataset.revision = String(desk.film.revision);
    }

    /** Read anew what shows. */
    async function looked() {
      shows = await get("/api/stage/shows");
      crossing = -1;
      draw();
      sheet.dataset.looked = String(Number(sheet.dataset.looked ?? 0) + 1);
    }

    await ready();
    return {
      changed,
      job(job) {
        if (job.state === "running") return;
        if (job.kind === JOB && job.state === "done" && !stage.atlas_ready) void changed();
        if (job.kind === ONE && job.state === "done") void unveil();
        if (job.kind === "patch" && job.state === "done") release(NEW_PATCH);
        if (job.kind === "weigh") weighed = job.sentence;
        if (["seams", "crossings", "patch", "weigh"].includes(job.kind)) void looked();
      },
      key(event) {
        const letter = desk.singleKeys() ? event.key.toLowerCase() : "";
        const to = steppedBy(event, stage, preview.frame);
        if (to !== null) void seek(to);
        else if (event.key === " ") void toggle();
        else if (letter === "b") repeat();
        else if (letter === "f") fit(!whole);
        else if (letter === "m") toggleMarks();
        else if (letter === "e") void mergeHere();
        else if (letter === "c") void stepCrossing(event.shiftKey ? -1 : 1);
        else if (letter === "k") void stepKey(event.shiftKey ? -1 : 1);
        else return false;
        return true;
      },
      keys: [
        ["← →", "a frame back or on; with Shift a bar"],
        ["Space", "play, or stop"],
        ["B", "repeat this bar, or go on"],
        ["F", "the whole frame, or every pixel of it"],
        ["M", "hide the marks, or show them"],
        ["E", "show this frame exactly as it will be merged, or the preview again"],
        ["C", "the next crossing; with Shift the one before"],
        ["K", "the next moment at which the chosen mask is set; with Shift the one before"],
        ["on an oval, a curve or one of its points: arrows", "move it"],
        ["on an oval: Shift and arrows", "make it wider, narrower, higher or lower"],
        ["on an oval: Ctrl Left, Ctrl Right", "turn it"],
      ],
      close: () => preview.close(),
    };
  },
};
