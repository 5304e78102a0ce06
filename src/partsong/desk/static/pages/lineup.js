// Line up: the song's waveform with its bar lines on top, and one row a take beneath them, as a score has its parts.
import { bytes, get } from "../lib/api.js";
import { button, h, svg } from "../lib/dom.js";
import { clearStarts, drawStarts, drawWave, weightOf } from "../lib/wave.js";
import { clock } from "../lib/words.js";

/** @typedef {{take: string, part: string, roaming: boolean, length_s: number, has_sound: boolean, record: string, seen: boolean, confidence: string, by_hand: boolean, to_decide: boolean, start_s: number | null, stretch: number, delay_s: number, words: string[], candidates: {start_s: number, score: number}[]}} Row */
/** @typedef {{revision: number, title: string, length_s: number, frame_s: number | null, bars: {bar: number, at_s: number, beats_s: number[]}[], sections: {name: string, at_s: number}[], rows: Row[]}} Score */

const HEIGHT = 46;
const HEAD = 64;
const CLOSE = 132; // the strip of two bars
/** @type {Record<string, string>} */
const SURE = { sure: "sure", likely: "likely", ask: "ask: it needs your ear", none: "not on the song" };

/** @type {import("../lib/page.js").Page} */
export default {
  title: "Line up",
  async open(sheet, desk, query) {
    /** @type {Score} */
    let score = await get("/api/lineup");
    /** @type {Map<string, Uint8Array>} */
    const waves = new Map();
    /** How strongly notes start, of takes and, under "record of", of what they are compared with. @type {Map<string, Uint8Array>} */
    const starts = new Map();
    let chosen = query.get("take") ?? "";
    let at = Number(query.get("at")) || 0;
    let span = Math.min(Number(query.get("span")) || Infinity, score.length_s);
    let from = Math.max(0, Math.min(Number(query.get("from")) || 0, score.length_s - span));
    let candidate = 0; // the candidate shown but not yet accepted, counted from 1
    let waiting = { frames: 0, ms: 0 };
    let busy = false;
    let closed = false;

    const list = h("ol", { class: "score" });
    const player = /** @type {HTMLAudioElement} */ (h("audio", { controls: true, preload: "none" }));
    player.volume = 0.5;
    let playing = "";
    const heard = h("div", { class: "listening", hidden: true },
      h("p", {}), player,
      h("p", { class: "small" }, "Song on the left, the camera's own sound on the right. Start softly: drums near a camera can be loud."));
    const tools = h("div", { class: "tools" },
      button("Place all takes", () => desk.begin("place", "/api/lineup/place")),
      h("span", { class: "gap" }),
      button("Whole song", () => zoom(Infinity), { id: "whole" }),
      button("Closer", () => zoom(span / 2), { id: "closer" }),
      button("Wider", () => zoom(span * 2)),
      button("Earlier", () => pan(-span / 2)),
      button("Later", () => pan(span / 2)));
    const shown = h("p", { class: "small shown" });
    sheet.append(tools, desk.progress("place"), shown, list, heard);

    // --- drawing ---------------------------------------------------------------------------------

    const width = () => Math.max(200, list.clientWidth - names());
    const names = () => parseFloat(getComputedStyle(list).getPropertyValue("--names")) * parseFloat(getComputedStyle(document.documentElement).fontSize);
    const x = (/** @type {number} */ s) => ((s - from) / span) * width();

    function draw() {
      if (closed || !list.isConnected) return;
      const wide = width();
      shown.textContent = span >= score.length_s
        ? `The whole song, ${clock(score.length_s)}.`
        : `From ${clock(from)} to ${clock(from + span)}: one pixel is ${((span / wide) * 1000).toFixed(span / wide < 0.01 ? 1 : 0)} ms.`;
      list.replaceChildren(conductor(wide), ...score.rows.map((row) => line(row, wide)));
      desk.link({ take: chosen || null, at: at ? at.toFixed(3) : null, span: span < score.length_s ? span.toFixed(3) : null, from: span < score.length_s ? from.toFixed(3) : null });
    }

    /** @param {number} high @param {number} wide @returns {SVGElement[]} */
    function barLines(high, wide) {
      const ticks = marks();
      const every = Math.max(1, Math.ceil(5 / Math.max(1e-9, x(ticks[1]?.at_s ?? 1) - x(ticks[0]?.at_s ?? 0))));
      const beats = x(ticks[1]?.at_s ?? 1) - x(ticks[0]?.at_s ?? 0) > 120 ? score.bars.flatMap((one) => one.beats_s) : [];
      const fine = beats.filter((one) => x(one) >= 0 && x(one) <= wide).map((one) => svg("path", { class: "beat", d: `M${x(one).toFixed(1)} ${high > 60 ? 18 : -20}v${high + 60}` }));
      const bold = ticks.filter((one, number) => number % every === 0 && x(one.at_s) >= -1 && x(one.at_s) <= wide + 1)
        .map((one) => svg("path", { class: "bar", d: `M${x(one.at_s).toFixed(1)} ${high > 60 ? 0 : -20}v${high + 60}` }));
      return [...fine, ...bold];
    }

    /** @returns {{label: string, at_s: number}[]} */
    function marks() {
      if (score.bars.length) return score.bars.map(({ bar, at_s }) => ({ label: String(bar), at_s }));
      const step = [1, 2, 5, 10, 30, 60].find((one) => score.length_s / one < 60) ?? 60;
      return Array.from({ length: Math.ceil(score.length_s / step) }, (_, n) => ({ label: clock(n * step).slice(0, 5), at_s: n * step }));
    }

    /** @param {number} wide */
    function conductor(wide) {
      const all = marks();
      const step = x(all[1]?.at_s ?? 1) - x(all[0]?.at_s ?? 0);
      const every = [1, 2, 4, 8, 16, 32, 64].find((n) => n * step >= 34) ?? 128;
      const labels = all.filter((one, number) => number % every === 0 && x(one.at_s) >= 0 && x(one.at_s) < wide - 8)
        .map((one) => svg("text", { class: "bar-number", x: x(one.at_s) + 3, y: 13 }, one.label));
      const sections = score.sections.map((one, number) => ({ ...one, room: (x(score.sections[number + 1]?.at_s ?? score.length_s) - x(one.at_s)) / 8 }))
        .filter((one) => x(one.at_s) >= -1 && x(one.at_s) < wide)
        .map(({ name, at_s, room }) => svg("text", { class: "section", x: Math.max(0, x(at_s)) + 3, y: -6 }, name.length <= room ? name : `${name.slice(0, Math.max(1, room - 2))}…`));
      const picture = svg("svg", { class: "staff head", width: wide, height: HEAD + 18, viewBox: `0 -18 ${wide} ${HEAD + 18}`, "aria-hidden": "true", onclick: pointAt },
        barLines(HEAD, wide),
        drawWave(waves.get(""), { from, span, start: 0, stretch: 1, wide, middle: 40, high: 22 }),
        labels, sections,
        svg("path", { class: "here", d: `M${x(at).toFixed(1)} 16v${HEAD}`, visibility: x(at) < 0 || x(at) > wide ? "hidden" : "visible" }));
      return h("li", { class: "row conductor" }, h("div", { class: "who" }, h("span", { class: "part" }, score.title), h("span", { class: "how" }, "the song")), picture);
    }

    /** @param {Row} row @param {number} wide */
    function line(row, wide) {
      const mine = row.take === chosen;
      const tried = mine && candidate ? row.candidates[candidate - 1] : null;
      const start = tried ? tried.start_s : row.start_s ?? (row.to_decide ? row.candidates[0]?.start_s ?? null : null);
      const weight = weightOf(tried || row.start_s === null ? "ask" : row.confidence);
      const staff = svg("svg", { class: "staff", width: wide, height: HEIGHT + 8, "aria-hidden": "true", onclick: (/** @type {MouseEvent} */ event) => { choose(row.take); pointAt(event); } }, barLines(HEIGHT + 8, wide));
      if (start !== null) {
        const sound = start - row.delay_s;
        const [left, right] = [x(start), x(start + row.length_s * row.stretch)].map((one) => Math.max(-4, Math.min(wide + 4, one)));
        const moved = svg("g", { class: `moved${tried || row.start_s === null ? " tried" : ""}` },
          svg("rect", { class: "grip", x: left, y: 0, width: Math.max(0, right - left), height: HEIGHT + 8 }),
          drawWave(waves.get(row.take), { from, span, start: sound, stretch: row.stretch, wide, middle: HEIGHT / 2, high: HEIGHT / 2 - 2 }),
          svg("path", { class: `under ${weight.name}`, d: `M${left.toFixed(1)} ${HEIGHT + 3}H${right.toFixed(1)}`, "stroke-width": weight.px, "stroke-dasharray": weight.dash }));
        if (row.start_s !== null && !tried) dragged(staff, moved, row);
        staff.append(moved);
      }
      const how = tried ? `candidate ${candidate} of ${row.candidates.length}` : SURE[row.confidence] + (row.by_hand ? ", by hand" : "");
      return h("li", { class: `row${mine ? " chosen" : ""}` },
        h("a", { class: "who", href: `/lineup?take=${row.take}`, "data-take": row.take, "aria-current": mine ? "true" : null, onclick: (/** @type {MouseEvent} */ event) => { event.preventDefault(); event.stopPropagation(); choose(row.take); } },
          h("span", { class: "part" }, row.part), h("span", { class: "take" }, row.take),
          h("span", { class: `how${row.to_decide || tried ? " decide" : ""}` }, how)),
        staff, mine && details(row, tried));
    }

    /** @param {Row} row @param {{start_s: number} | null} tried */
    function details(row, tried) {
      const placed = row.start_s !== null && !tried;
      const where = tried ? `Candidate ${candidate} of ${row.candidates.length} starts at ${clock(tried.start_s)}. It is not kept until you put the take here.`
        : placed ? `Starts at ${clock(row.start_s ?? 0)} (${((row.start_s ?? 0) * 1000).toFixed(1).replace("-", "−")} ms).` : "";
      return h("div", { class: "details" },
        closeUp(row, tried ? tried.start_s : row.start_s),
        h("div", { class: "words" }, where && h("p", {}, where), tried ? null : row.words.map((words) => h("p", {}, words))),
        h("div", { class: "acts" },
          placed && [
            button("Frame earlier", () => nudge({ frames: -1 }), { id: "frame-earlier", "aria-keyshortcuts": "ArrowLeft" }),
            button("Frame later", () => nudge({ frames: 1 }), { id: "frame-later", "aria-keyshortcuts": "ArrowRight" }),
            button("1 ms earlier", () => nudge({ ms: -1 }), { "aria-keyshortcuts": "Shift+ArrowLeft" }),
            button("1 ms later", () => nudge({ ms: 1 }), { id: "ms-later", "aria-keyshortcuts": "Shift+ArrowRight" })],
          tried && button("Put it here", accept, { id: "accept", "aria-keyshortcuts": "Enter" }),
          tried && button("Leave it", () => { candidate = 0; draw(); refocus(); }, { "aria-keyshortcuts": "Escape" }),
          placed && !row.by_hand && button("It is right", accept, { id: "accept", "aria-keyshortcuts": "Enter" }),
          row.candidates.length > 0 && button(candidate || placed ? "Next best place" : "Show the best place", next, { id: "next", "aria-keyshortcuts": "N" }),
          (placed || row.to_decide) && button("Take off the song", refuse, { id: "refuse", "aria-keyshortcuts": "X" }),
          placed && row.has_sound && button(`Listen from ${clock(at)}`, listen, { id: "listen", "aria-keyshortcuts": "L" })));
    }

    /** The two bars at the mark, or the nearest that the take plays in. @param {Row} row @param {number} start @returns {[number, number]} */
    function twoBars(row, start) {
      const moment = Math.max(start, Math.min(at, start + row.length_s * row.stretch - 0.5));
      const ticks = marks();
      const first = Math.max(0, Math.min(ticks.findLastIndex((one) => one.at_s <= moment + 1e-6), ticks.length - 2));
      const begins = ticks[first]?.at_s ?? 0;
      return [begins, Math.max(1, (ticks[first + 2]?.at_s ?? score.length_s) - begins)];
    }

    /** Where notes start in the record and in the camera's sound, one above the other. @param {Row} row @param {number | null} start */
    function closeUp(row, start) {
      if (!row.has_sound || start === null) return null;
      const [begins, lasts] = twoBars(row, start);
      const wide = width();
      const here = (/** @type {number} */ s) => ((s - begins) / lasts) * wide;
      const inside = (/** @type {number} */ s) => s >= begins && s <= begins + lasts;
      const record = starts.get(`record of ${row.take}`);
      const view = { from: begins, span: lasts, wide, middle: CLOSE / 2 };
      const lines = [
        ...score.bars.flatMap((one) => one.beats_s).filter(inside).map((one) => svg("path", { class: "beat", d: `M${here(one).toFixed(1)} 0v${CLOSE}` })),
        ...marks().filter((one) => inside(one.at_s)).map((one) => svg("path", { class: "bar", d: `M${here(one.at_s).toFixed(1)} 0v${CLOSE}` })),
        ...clearStarts(record).filter(inside).map((one) => svg("path", { class: "note-start", d: `M${here(one).toFixed(1)} ${CLOSE / 2}v${CLOSE / 2 - 6}` })),
      ];
      const bar = score.bars.findLast((one) => one.at_s <= begins + 1e-6)?.bar;
      const words = record && starts.has(row.take)
        ? `Note starts ${bar === undefined ? `from ${clock(begins)}` : `in bars ${bar} and ${bar + 1}`}: ${row.record} above the line, the camera below it. ${row.seen ? "This take was placed by what is seen, since its sound tells nothing of the song." : "Where the take is right, each hill stands on its own reflection."}`
        : "Listening for note starts …";
      return h("figure", { class: "close-up" },
        svg("svg", { class: "staff", width: wide, height: CLOSE, role: "img", "aria-label": words },
          lines, drawStarts(record, { ...view, start: 0, stretch: 1, high: CLOSE / 2 - 4 }),
          drawStarts(starts.get(row.take), { ...view, start: start - row.delay_s, stretch: row.stretch, high: 4 - CLOSE / 2 }),
          svg("path", { class: "middle", d: `M0 ${CLOSE / 2}H${wide}` })),
        h("figcaption", { class: "small" }, words, " ",
          button("A bar earlier", () => moveMark(-1), { class: "finding", id: "bar-earlier", "aria-keyshortcuts": "," }), " ",
          button("A bar later", () => moveMark(1), { class: "finding", id: "bar-later", "aria-keyshortcuts": "." })));
    }

    /** Move the mark by bars, from where the strip is. @param {number} by */
    function moveMark(by) {
      const now = row();
      const start = now && (candidate ? now.candidates[candidate - 1]?.start_s : now.start_s);
      const ticks = marks();
      const from_s = now && typeof start === "number" ? twoBars(now, start)[0] : at;
      const next = ticks[ticks.findLastIndex((one) => one.at_s <= from_s + 1e-6) + by];
      const had = document.activeElement?.id;
      if (next) at = Math.max(0, Math.min(next.at_s, score.length_s - 0.1));
      draw();
      if (had) document.getElementById(had)?.focus();
    }

    /** Fetch the note starts of a take and of its record, once. @param {string} take */
    async function loadStarts(take) {
      const now = score.rows.find((one) => one.take === take);
      if (!now?.has_sound || starts.has(take)) return;
      for (const [name, what] of [[take, "starts"], [`record of ${take}`, "record"]]) {
        await bytes(`/media/takes/${take}/${what}`).then((data) => starts.set(name, new Uint8Array(data)), (problem) => closed || desk.say(problem.message, true));
        if (closed) return;
      }
      sheet.dataset.starts = take;
      draw();
    }

    // --- doing -----------------------------------------------------------------------------------

    const row = () => score.rows.find((one) => one.take === chosen);

    /** @param {string} take */
    function choose(take) {
      if (take === chosen) return;
      chosen = take;
      candidate = 0;
      draw();
      refocus();
      void loadStarts(take);
    }

    function refocus() {
      /** @type {HTMLElement | null} */ (list.querySelector("[aria-current]"))?.focus();
    }

    /** @param {MouseEvent} event */
    function pointAt(event) {
      const box = /** @type {Element} */ (event.currentTarget).getBoundingClientRect();
      at = Math.max(0, Math.min(score.length_s - 0.1, from + ((event.clientX - box.left) / box.width) * span));
      draw();
    }

    /** @param {number} wish */
    function zoom(wish) {
      span = Math.max(0.05, Math.min(wish, score.length_s));
      from = Math.max(0, Math.min(at - span / 2, score.length_s - span));
      draw();
    }

    /** @param {number} by */
    function pan(by) {
      from = Math.max(0, Math.min(from + by, score.length_s - span));
      draw();
    }

    /** Nudges that come while one is on its way are added up. @param {{frames?: number, ms?: number}} by */
    async function nudge(by) {
      const moved = row();
      if (!moved || moved.start_s === null) return;
      waiting.frames += by.frames ?? 0;
      waiting.ms += by.ms ?? 0;
      moved.start_s += (by.frames ?? 0) * (score.frame_s ?? 0) + (by.ms ?? 0) / 1000;
      draw();
      refocus();
      if (busy) return;
      busy = true;
      try {
        while (waiting.frames || waiting.ms) {
          const body = waiting.frames ? { frames: waiting.frames } : { ms: waiting.ms };
          waiting = waiting.frames ? { ...waiting, frames: 0 } : { ...waiting, ms: 0 };
          if (!(await desk.change(`/api/lineup/takes/${moved.take}/nudge`, body))) {
            waiting = { frames: 0, ms: 0 };
            await changed();
          }
        }
      } finally {
        busy = false;
      }
      await changed();
      refocus();
    }

    async function accept() {
      const now = row();
      if (!now) return;
      const body = candidate ? { candidate } : now.start_s !== null ? { start_s: now.start_s } : null;
      if (!body) return;
      candidate = 0;
      await desk.change(`/api/lineup/takes/${now.take}/accept`, body);
      refocus();
    }

    async function refuse() {
      candidate = 0;
      if (row()) await desk.change(`/api/lineup/takes/${chosen}/refuse`);
      refocus();
    }

    function next() {
      const now = row();
      if (!now?.candidates.length) return;
      candidate = (candidate % now.candidates.length) + 1;
      draw();
      desk.say(`Candidate ${candidate} of ${now.candidates.length}, at ${clock(now.candidates[candidate - 1].start_s)}`);
      refocus();
    }

    async function listen() {
      const now = row();
      if (!now || now.start_s === null || candidate) return;
      if (!player.paused && playing === now.take) {
        player.pause();
        return;
      }
      playing = now.take;
      const from_s = at;
      heard.hidden = false;
      /** @type {HTMLElement} */ (heard.firstChild).textContent = `${now.part}, ${now.take}, from ${clock(from_s)}`;
      player.src = `/media/takes/${now.take}/listen?at=${from_s.toFixed(3)}&length=12`;
      player.ontimeupdate = () => closed || list.querySelector(".here")?.setAttribute("d", `M${x(from_s + player.currentTime).toFixed(1)} 16v${HEAD}`);
      await player.play().catch((problem) => desk.say(`This cannot be listened to: ${problem.message}`, true));
    }

    /** Drag a take along the song. @param {SVGElement} staff @param {SVGElement} moved @param {Row} row */
    function dragged(staff, moved, row) {
      moved.addEventListener("pointerdown", (down) => {
        const begin = down.clientX;
        let by = 0;
        const move = (/** @type {PointerEvent} */ event) => {
          by = event.clientX - begin;
          if (Math.abs(by) > 3) moved.setAttribute("transform", `translate(${by} 0)`);
        };
        const up = async () => {
          staff.removeEventListener("pointermove", move);
          if (Math.abs(by) <= 3) return;
          staff.addEventListener("click", (event) => event.stopImmediatePropagation(), { capture: true, once: true });
          chosen = row.take;
          const start_s = Number(((row.start_s ?? 0) + (by / width()) * span).toFixed(4));
          if (!(await desk.change(`/api/lineup/takes/${row.take}/accept`, { start_s }))) draw();
          refocus();
        };
        staff.setPointerCapture(down.pointerId);
        staff.addEventListener("pointermove", move);
        staff.addEventListener("pointerup", up, { once: true });
      });
    }

    // --- following -------------------------------------------------------------------------------

    async function changed() {
      if (busy && (waiting.frames || waiting.ms)) return; // more is on its way; its answer will be drawn
      score = await get("/api/lineup");
      draw();
    }

    async function loadWaves() {
      for (const name of ["", ...score.rows.filter((one) => one.has_sound).map((one) => one.take)]) {
        const path = name ? `/media/takes/${name}/wave` : "/media/wave";
        await bytes(path).then((data) => waves.set(name, new Uint8Array(data)), (problem) => closed || desk.say(problem.message, true));
        if (closed) return;
        draw();
      }
      sheet.dataset.waves = String(waves.size);
    }

    const resized = new ResizeObserver(() => draw());
    resized.observe(list);
    draw();
    void loadWaves().then(() => loadStarts(chosen));

    return {
      changed,
      keys: [
        ["↑ ↓", "choose a take"], ["← →", "a frame earlier, later"], ["Shift ← →", "a millisecond earlier, later"],
        ["N", "show the next best place"], ["Enter", "put it there; or say that it is right"], ["X", "take it off the song"],
        ["L", "listen from the mark, or stop"], [", .", "the mark, a bar earlier, later"], ["+ −", "closer, wider"], ["Page up, down", "earlier, later in the song"], ["W", "the whole song"],
      ],
      key(event) {
        const names = score.rows.map((one) => one.take);
        const by = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
        if (event.key === "ArrowDown" || event.key === "ArrowUp") {
          const step = event.key === "ArrowDown" ? 1 : -1;
          const number = chosen ? names.indexOf(chosen) + step : step > 0 ? 0 : names.length - 1;
          if (names[number]) choose(names[number]);
        } else if (by && chosen) void nudge(event.shiftKey ? { ms: by } : { frames: by });
        else if (event.key === "Escape" && candidate) { candidate = 0; draw(); refocus(); }
        else if (event.key === "Enter" && chosen && !(event.target instanceof HTMLButtonElement)) void accept();
        else if (event.key === "PageDown") pan(span / 2);
        else if (event.key === "PageUp") pan(-span / 2);
        else if (!desk.singleKeys()) return false;
        else if (event.key === "n") next();
        else if (event.key === "x" && chosen) void refuse();
        else if (event.key === "l") void listen();
        else if (event.key === "+" || event.key === "=") zoom(span / 2);
        else if (event.key === "-") zoom(span * 2);
        else if (event.key === "w") zoom(Infinity);
        else if (event.key === "," || event.key === ".") moveMark(event.key === "." ? 1 : -1);
        else return false;
        return true;
      },
      close() {
        closed = true;
        resized.disconnect();
        player.pause();
      },
    };
  },
};
