// Stage: the frame as it will be merged, with the ovals through which the players show. A hand moves them; so do keys.
import { get } from "../lib/api.js";
import { button, h, svg } from "../lib/dom.js";
import { handles, moved, ovalInWords, ovalShapes, steered } from "../lib/ovals.js";
import { clock } from "../lib/words.js";
import { Preview } from "../preview.js";

/** @typedef {import("../lib/ovals.js").Oval} Oval */
/** @typedef {{take: string, part: string, oval: Oval | null, feather_px: number, words: string}} Layer */
/** @typedef {import("../preview.js").Plan & {method_words: string, in_the_way: string, atlas_ready: boolean, layers: Layer[], bars: number[]}} Stage */

const JOB = "atlas";

/** @type {import("../lib/page.js").Page} */
export default {
  title: "Stage",
  async open(sheet, desk, query) {
    /** @type {Stage} */
    let stage = await get("/api/stage");
    let chosen = query.get("take") ?? "";
    let whole = true; // the whole frame fits the page, instead of one pixel of the film on one of the screen
    let grasped = false; // a hand is on an oval
    let redrawing = false; // the element that has the keyboard is being replaced, which it takes for losing it
    let stream = 0; // rises when the atlas is another one

    const canvas = /** @type {HTMLCanvasElement} */ (h("canvas", { role: "img", "aria-label": "The preview" }));
    const video = /** @type {HTMLVideoElement} */ (h("video", { class: "stream", preload: "auto", playsinline: true, "aria-hidden": "true", tabindex: "-1" }));
    const marks = svg("svg", { class: "ovals", "aria-label": "The ovals" });
    const frame = h("div", { class: "frame" }, canvas, marks, video);
    const surround = h("div", { class: "surround stage-picture" }, frame);
    const notes = h("div", { class: "notes" });
    const tools = h("div", { class: "tools", role: "group", "aria-label": "What is shown" });
    const song = /** @type {HTMLInputElement} */ (h("input", { type: "range", id: "song", min: 0, step: 1, "aria-label": "Place in the song" }));
    const where = h("output", { for: "song", class: "small" });
    const time = h("div", { class: "tools time" });
    const list = h("ol", { class: "layers" });
    sheet.append(notes, desk.progress(JOB), desk.progress("propose"), tools, surround, time,
      h("section", {}, h("h2", {}, "Layers, the front one first"), list));

    const preview = new Preview(canvas, video);
    preview.mode = query.get("show") ?? "wide";
    preview.frame = Number(query.get("frame")) || 0;
    preview.onframe = (at) => {
      song.value = String(at);
      where.textContent = inWords(at);
      sheet.dataset.frame = String(at);
    };

    // --- drawing ---------------------------------------------------------------------------------

    const layer = (/** @type {string} */ take) => stage.layers.find((one) => one.take === take);
    const shape = (/** @type {string} */ take) => {
      const one = layer(take);
      return preview.moved.get(take) ?? (one?.oval ? { oval: one.oval, feather_px: one.feather_px } : null);
    };

    function inWords(/** @type {number} */ at) {
      const bar = stage.bars.findLastIndex((first) => first <= at);
      return `${bar >= 0 ? `Bar ${bar + 1}, ` : ""}${clock(at / preview.rate)}, frame ${at}`;
    }

    function draw() {
      drawNotes();
      const shown = stage.width > 0 && stage.layers.length > 0;
      surround.hidden = tools.hidden = time.hidden = !shown;
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
    }

    function drawNotes() {
      const standIn = !preview.can && stage.layers.length > 0;
      notes.replaceChildren(...[
        stage.in_the_way && h("p", { class: "decide" }, stage.in_the_way),
        !stage.layers.length && button("Propose ovals", () => desk.begin("propose", "/api/stage/propose"), { id: "propose" }),
        stage.method_words && h("p", { id: "method" }, stage.method_words),
        standIn && h("p", { id: "stand-in" }, "This browser has no WebGL 2, so the picture is the merged wide as it was made by partsong stage merge. It does not follow the ovals."),
        standIn && h("img", { class: "stand-in", alt: "The merged wide", src: `/media/pictures/wide/${preview.frame}` }),
        !stage.atlas_ready && !stage.in_the_way && preview.can && h("p", {},
          button("Prepare the preview", () => desk.begin(JOB, "/api/stage/atlas"), { id: "prepare-preview" }),
          " makes one small film of all takes, so that they can be seen together."),
        stage.atlas_ready && preview.can && h("p", { class: "small" },
          "The preview has not been checked for flashing; it plays only when you start it."),
      ].filter(Boolean).map((one) => /** @type {Node} */ (one)));
    }

    function drawTools() {
      const views = [["wide", "Merged"], ["cut", "As cut"], ...stage.layers.map((one) => [one.take, one.part])];
      tools.replaceChildren(
        ...views.filter(([view]) => view !== "cut" || stage.cut.length).map(([view, words]) =>
          button(words, () => show(view), { "aria-pressed": String(preview.mode === view), "data-show": view })),
        h("span", { class: "gap" }),
        button("Fit", () => fit(true), { "aria-pressed": String(whole) }),
        button("100 %", () => fit(false), { "aria-pressed": String(!whole), id: "actual" }));
      song.max = String(Math.max(0, stage.frames - 1));
      song.value = String(preview.frame);
      where.textContent = inWords(preview.frame);
      time.replaceChildren(
        button(video.paused ? "Play" : "Stop", toggle, { id: "play", disabled: !stage.atlas_ready || !preview.can, "aria-keyshortcuts": "Space" }),
        button("Repeat this bar", repeat, { id: "repeat", "aria-pressed": String(preview.loop !== null), disabled: !stage.bars.length, "aria-keyshortcuts": "B" }),
        song, where);
    }

    function drawMarks() {
      const held = document.activeElement instanceof Element ? document.activeElement.getAttribute("data-oval") : null;
      redrawing = true;
      marks.replaceChildren(...stage.layers.filter((one) => shape(one.take) && preview.mode === "wide").map((one) => {
        const now = /** @type {{oval: Oval, feather_px: number}} */ (shape(one.take));
        const mine = one.take === chosen;
        const group = svg("g", {
          class: mine ? "oval chosen" : "oval", tabindex: "0", role: "button", "data-oval": one.take,
          "aria-label": `Oval of ${one.part}. ${ovalInWords(now.oval, now.feather_px)}`, "aria-pressed": String(mine),
          transform: `translate(${now.oval.x} ${now.oval.y}) rotate(${now.oval.rotation_deg})`,
          onkeydown: (/** @type {KeyboardEvent} */ event) => keyed(event, one.take),
          onkeyup: () => commit(one.take),
          onblur: () => grasped || redrawing || commit(one.take),
          onfocus: () => choose(one.take),
          onpointerdown: (/** @type {PointerEvent} */ event) => grabbed(event, one.take),
        }, ovalShapes(now.oval, now.feather_px), svg("text", { class: "oval-name", y: -now.oval.ry + stage.height / 26, "text-anchor": "middle", "font-size": stage.height / 30 }, one.part),
        mine ? handles(now.oval, stage.width / 110) : []);
        return group;
      }));
      if (held) /** @type {SVGElement | null} */ (marks.querySelector(`[data-oval="${CSS.escape(held)}"]`))?.focus();
      redrawing = false;
    }

    function drawList() {
      list.replaceChildren(...[...stage.layers].reverse().map((one, place) => {
        const now = shape(one.take);
        const from = stage.layers.length - 1 - place;
        const feather = now && h("input", { type: "number", id: `feather-${one.take}`, min: 0, max: 2000, step: 1, value: Math.round(now.feather_px),
          onchange: (/** @type {Event} */ event) => soften(one.take, Number(/** @type {HTMLInputElement} */ (event.target).value)) });
        return h("li", { class: one.take === chosen ? "layer chosen" : "layer" },
          h("span", { class: "layer-name" }, one.part, " ", h("span", { class: "small" }, one.take)),
          h("span", { class: "layer-words small", "data-words": one.take }, now ? ovalInWords(now.oval, now.feather_px) : one.words),
          now && h("label", { for: `feather-${one.take}`, class: "small" }, "Soft edge, pixels ", feather),
          button("Forward", () => reorder(from, from + 1), { disabled: from === stage.layers.length - 1, "aria-label": `Bring ${one.part} forward` }),
          button("Back", () => reorder(from, from - 1), { disabled: from === 0, "aria-label": `Send ${one.part} back` }));
      }));
    }

    // --- what a person does ----------------------------------------------------------------------

    /** @param {string} take */
    function choose(take) {
      if (take === chosen) return;
      chosen = take;
      desk.link({ take });
      drawMarks();
      drawList();
    }

    /** @param {string} take @param {Oval} oval */
    function hold(take, oval) {
      const now = shape(take);
      if (!now) return;
      preview.moved.set(take, { oval, feather_px: now.feather_px });
      preview.draw(true);
      drawMarks();
    }

    /** One action, one revision. @param {string} take @returns {Promise<void>} */
    async function commit(take) {
      const now = preview.moved.get(take);
      const before = layer(take);
      if (!now || !before?.oval || waiting.has(take)) return;
      if (JSON.stringify(now) === JSON.stringify({ oval: before.oval, feather_px: before.feather_px })) {
        preview.draw();
        return;
      }
      waiting.add(take);
      const done = await desk.change(`/api/stage/takes/${encodeURIComponent(take)}/oval`, { ...now.oval, feather_px: now.feather_px });
      waiting.delete(take);
      if (done && preview.moved.get(take) !== now) return commit(take); // it was moved on while that was on its way
      preview.moved.delete(take);
      preview.draw();
      draw();
    }
    /** @type {Set<string>} */
    const waiting = new Set();

    /** @param {PointerEvent} event @param {string} take */
    function grabbed(event, take) {
      event.preventDefault();
      const now = shape(take);
      if (!now || event.button !== 0) return;
      const part = event.target instanceof Element ? event.target.getAttribute("data-handle") ?? "move" : "move";
      choose(take);
      /** @type {SVGElement | null} */ (marks.querySelector(`[data-oval="${CSS.escape(take)}"]`))?.focus();
      const start = at(event);
      const begun = now.oval;
      grasped = true;
      marks.setPointerCapture(event.pointerId);
      const follow = (/** @type {Event} */ next) => hold(take, moved(begun, part, start, at(/** @type {PointerEvent} */ (next))));
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
      const next = now && steered(now.oval, event, Math.max(1, Math.round(stage.width / 320)));
      if (!next) return;
      event.preventDefault();
      event.stopPropagation();
      hold(take, next);
    }

    /** @param {string} take @param {number} feather_px */
    function soften(take, feather_px) {
      const now = shape(take);
      if (!now || !Number.isFinite(feather_px)) return;
      preview.moved.set(take, { oval: now.oval, feather_px });
      preview.draw();
      void commit(take);
    }

    /** @param {number} from @param {number} to */
    function reorder(from, to) {
      const takes = stage.layers.map((one) => one.take);
      takes.splice(to, 0, ...takes.splice(from, 1));
      return desk.change("/api/stage/order", { takes });
    }

    /** @param {string} view */
    async function show(view) {
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
      if (!stage.atlas_ready) return;
      await preview.show(to);
      desk.link({ frame: preview.frame || null });
    }

    async function toggle() {
      if (!stage.atlas_ready || !preview.can) return;
      if (video.paused) await preview.play();
      else await preview.pause();
      drawTools();
    }

    function repeat() {
      const bar = stage.bars.findLastIndex((first) => first <= preview.frame);
      preview.loop = preview.loop || bar < 0 ? null : [stage.bars[bar], stage.bars[bar + 1] ?? stage.frames];
      drawTools();
    }

    song.addEventListener("input", () => void seek(Number(song.value)));
    video.addEventListener("ended", drawTools);

    // --- begin -----------------------------------------------------------------------------------

    async function ready() {
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
      const now = await get("/api/stage");
      if (JSON.stringify(now.tiles) !== before || now.atlas_ready !== stage.atlas_ready) stream += 1;
      stage = now;
      for (const take of [...preview.moved.keys()]) if (!waiting.has(take)) preview.moved.delete(take);
      await ready();
      sheet.dataset.revision = String(desk.film.revision);
    }

    await ready();
    return {
      changed,
      job: (job) => {
        if (job.kind === JOB && job.state === "done" && !stage.atlas_ready) void changed();
      },
      key(event) {
        if (event.key === " ") void toggle();
        else if (event.key.toLowerCase() === "b" && desk.singleKeys()) repeat();
        else if (event.key === "ArrowLeft") void seek(preview.frame - 1);
        else if (event.key === "ArrowRight") void seek(preview.frame + 1);
        else return false;
        return true;
      },
      keys: [
        ["Left, Right", "a frame back, a frame on"],
        ["Space", "play, or stop"],
        ["B", "repeat this bar, or go on"],
        ["on an oval: arrows", "move it"],
        ["on an oval: Shift and arrows", "make it wider, narrower, higher or lower"],
        ["on an oval: Ctrl Left, Ctrl Right", "turn it"],
      ],
      close: () => preview.close(),
    };
  },
};
