// Cut: the bars of the song wrapped like sheet music, each holding the picture that plays there; a cut is a mark above.
import { get } from "../lib/api.js";
import { button, h, svg } from "../lib/dom.js";
import { course, effectsList } from "../lib/effects_list.js";
import { later, orWords } from "../lib/pictures.js";
import { cutPlayer } from "../lib/playing.js";

/** @typedef {{shot: number, source: string, share: number, opens: boolean, pictures: (string | null)[][]}} Span */
/** @typedef {{label: string, section: string, first: number, stop: number, beats: number[], spans: Span[]}} Bar */
/** @typedef {{source: string, x: number, y: number}} Panel */
/** @typedef {{source: string, shows: string, panels: Panel[][], start: number, end: number, place: string, words: string}} Shot */
/** @typedef {{bars_a_line: number, aspect: number, rate: number, frames: number, bars: Bar[], shots: Shot[], sources: {source: string, first: number, stop: number}[], effects: import("../lib/effects_list.js").Told[], meter: import("../lib/effects_list.js").Meter, in_the_way: string}} Cut */

/** @type {import("../lib/page.js").Page} */
export default {
  title: "Cut",
  async open(sheet, desk, query) {
    /** @type {Cut} */
    let cut = await get("/api/cut");
    let at = Math.min(Number(query.get("frame")) || 0, Math.max(0, cut.frames - 1)); // the mark: a frame of the film, on a beat

    const lines = h("div", { class: "wrapped" });
    const panel = h("section", { class: "shot-panel", "aria-label": "The shot at the mark" });
    const seed = /** @type {HTMLInputElement} */ (h("input", { id: "seed", type: "number", min: 0, max: 1000000, value: 0 }));
    const effects = effectsList(desk, {
      open: query.has("effects"),
      at: () => at,
      go(frame) {
        at = beats().findLast((beat) => beat <= frame) ?? 0;
        draw();
      },
    });
    const player = cutPlayer(desk, {
      effects: () => cut.effects.map((one) => one.effect),
      at: (frame) => (sounding.textContent = player.playing ? `Playing ${placeOf(frame)}. Any key stops it.` : ""),
      stopped(frame) {
        sounding.textContent = "";
        at = beats().findLast((beat) => beat <= frame) ?? 0; // the beat that was heard last
        draw();
      },
    });
    const sounding = h("span", { class: "small sounding", role: "status" });
    const play = () => (player.playing ? player.stop() : player.play(at));
    sheet.append(
      h("div", { class: "tools" },
        button("Play from the mark", play, { id: "play", "aria-keyshortcuts": "Space" }), sounding, h("span", { class: "gap" }),
        button("Propose a cut", () => desk.change("/api/cut/propose", { seed: Number(seed.value) }), { id: "propose" }),
        h("label", { for: "seed" }, "of variant ", seed)),
      desk.progress("atlas"), player.element, panel, effects.element, lines);

    const shotAt = () => cut.shots.findIndex((shot) => shot.start <= at && at < shot.end);
    const beats = () => cut.bars.flatMap((bar) => bar.beats);

    function draw() {
      const number = shotAt();
      const rows = [];
      for (let first = 0; first < cut.bars.length; first += cut.bars_a_line) {
        const line = cut.bars.slice(first, first + cut.bars_a_line);
        const room = cut.effects.some(({ effect }) => effect.start < line[line.length - 1].stop && line[0].first < effect.end);
        rows.push(h("div", { class: "bars", style: { "--bars": String(cut.bars_a_line), "--shape": String(cut.aspect) } },
          line.map((bar, place) => drawBar(bar, place === 0, number, room))));
      }
      lines.replaceChildren(...(rows.length ? rows : [h("p", {}, cut.in_the_way)]));
      drawPanel(number);
      effects.moved();
      desk.link({ frame: at || null });
    }

    /** @param {Bar} bar @param {boolean} begins @param {number} chosen @param {boolean} room  Whether its line holds effects. */
    function drawBar(bar, begins, chosen, room) {
      const share = (/** @type {number} */ frame) => ((frame - bar.first) / Math.max(1, bar.stop - bar.first)) * 100;
      let reached = 0;
      const pictures = bar.spans.map((span, place) => {
        const shows = cut.shots[span.shot].shows;
        const name = span.opens || place > 0 || begins ? shows : "";
        const opens = span.opens || place > 0;
        const mark = (opens || name) && h("span", { class: opens ? "cut-mark" : "voice-name", style: { left: `${reached * 100}%` }, "aria-hidden": "true" }, name);
        reached += span.share;
        const pictures = span.pictures.map((row, down) => row.map((address, across) => {
          if (address === null) return h("span", { class: "no-picture", "aria-hidden": "true" }, "not placed");
          const picture = later(address, { draggable: "false", style: windowOf(cut.shots[span.shot].panels, down, across) });
          orWords(picture, address.includes("/wide/") ? "not merged yet" : "no picture", { "aria-hidden": "true" });
          return picture;
        }));
        const alone = pictures.length === 1 && pictures[0].length === 1;
        return [mark, h("button", {
          type: "button", class: `span${span.shot === chosen ? " chosen" : ""}`, style: { "flex-grow": String(span.share) },
          "aria-label": `Bar ${bar.label}: ${shows}${span.pictures.flat().includes(null) ? ", not placed" : ""}`, "aria-pressed": String(span.shot === chosen), tabindex: -1,
          onclick: (/** @type {MouseEvent} */ event) => pointAt(event, bar),
        }, alone ? pictures[0] : h("span", { class: "panels" }, pictures.map((row) => h("span", { class: "row" }, row))))];
      });
      const here = at >= bar.first && at < bar.stop;
      return h("div", { class: "bar-cell" },
        h("div", { class: "bar-head" }, h("span", { class: "number" }, bar.label), bar.section && h("span", { class: "section-name" }, bar.section)),
        h("div", { class: "frame-line" }, pictures.map(([mark]) => mark), here && h("span", { class: "at", style: { left: `${share(at)}%` } })),
        h("div", { class: "surround spans" }, pictures.map(([, picture]) => picture)),
        svg("svg", { class: "beats", viewBox: "0 0 100 4", preserveAspectRatio: "none", "aria-hidden": "true" },
          bar.beats.map((beat) => svg("path", { d: `M${share(beat).toFixed(2)} 0v4` })),
          under(bar, chosen)),
        room && drawEffects(bar));
    }

    /** The light of the bar as effects change it, and where they begin the picture anew. @param {Bar} bar */
    function drawEffects(bar) {
      const here = cut.effects.filter(({ effect }) => effect.start < bar.stop && bar.first < effect.end);
      const begins = here.filter(({ effect }) => bar.first <= effect.start);
      const share = (/** @type {number} */ frame) => ((frame - bar.first) / Math.max(1, bar.stop - bar.first)) * 100;
      return h("div", { class: "effect-line" },
        svg("svg", { viewBox: "0 0 100 20", preserveAspectRatio: "none", "aria-hidden": "true" },
          here.map(({ effect }) => svg("path", { class: effect.kind, d: course(effect, bar.first, bar.stop) }))),
        begins.map(({ effect, words }) => h("span", { style: { left: `${share(effect.start)}%` } }, words)));
    }

    /** Which part of its picture a panel shows, as a style of the picture. @param {Panel[][]} rows @param {number} down @param {number} across */
    function windowOf(rows, down, across) {
      const panel = rows[down]?.[across];
      if (!panel) return {};
      const place = (/** @type {number} */ middle, /** @type {number} */ part) => (part < 1 ? 100 * Math.max(0, Math.min((middle - part / 2) / (1 - part), 1)) : 50);
      const wider = rows.length / rows[down].length; // its shape beside the frame's
      return { "object-position": `${place(panel.x, Math.min(1, wider))}% ${place(panel.y, Math.min(1, 1 / wider))}%` };
    }

    /** The line under the chosen shot. @param {Bar} bar @param {number} chosen */
    function under(bar, chosen) {
      let reached = 0;
      return bar.spans.map((span) => {
        const from = reached * 100;
        reached += span.share;
        return span.shot === chosen && svg("path", { class: "chosen-line", d: `M${from.toFixed(2)} 1H${(reached * 100).toFixed(2)}` });
      });
    }

    /** @param {number} number */
    function drawPanel(number) {
      const shot = cut.shots[number];
      panel.replaceChildren();
      if (!shot) return;
      const covering = cut.sources.filter((one) => one.first <= shot.start && shot.end <= one.stop).map((one) => one.source);
      const show = (/** @type {string} */ shows) => desk.change("/api/cut/replace", { frame: shot.start, shows });
      /** @param {string} id @param {string[]} names @param {string} chosen @param {(name: string) => unknown} act */
      const choose = (id, names, chosen, act) => {
        const select = /** @type {HTMLSelectElement} */ (h("select", { id }, names.map((name) => h("option", { value: name, selected: name === chosen }, name))));
        select.addEventListener("change", () => act(select.value));
        return select;
      };
      const select = choose("source", [...new Set([shot.shows, ...covering])], shot.shows, show);
      const beside = choose("beside", ["nothing more", ...covering], "nothing more", (name) => show(`${shot.shows}|${name}`));
      panel.append(
        h("p", {}, `Shot ${number + 1} of ${cut.shots.length} shows `, h("strong", {}, shot.shows), `, from ${shot.place} (${shot.words}). The mark is at ${placeOf(at)}.`),
        h("div", { class: "tools" },
          button("Split here", split, { id: "split", disabled: at === shot.start, "aria-keyshortcuts": "S" }),
          button("Join to the one before", join, { id: "join", disabled: number === 0, "aria-keyshortcuts": "J" }),
          button("Begin a beat earlier", () => moveBeat(-1), { disabled: number === 0 }),
          button("Begin a beat later", () => moveBeat(1), { id: "beat-later", disabled: number === 0 }),
          button("A frame earlier", () => moveFrame(-1), { disabled: number === 0, "aria-keyshortcuts": "Shift+ArrowLeft" }),
          button("A frame later", () => moveFrame(1), { disabled: number === 0, "aria-keyshortcuts": "Shift+ArrowRight" }),
          h("span", { class: "field" }, h("label", { for: "source" }, "Show "), select),
          h("span", { class: "field" }, h("label", { for: "beside" }, "beside it "), beside)));
      if (shot.panels.length) panel.append(panelRow(shot, show));
    }

    /** Each panel of a shot: which part of its picture it shows, where that is only a part, and a way to take it out. @param {Shot} shot @param {(shows: string) => unknown} show */
    function panelRow(shot, show) {
      const text = (/** @type {Panel} */ one) => (one.x === 0.5 && one.y === 0.5 ? one.source : `${one.source}(${one.x},${one.y})`);
      const written = (/** @type {Panel[][]} */ rows) => (rows.flat().length > 1 ? rows.map((row) => row.map(text).join("|")).join("/") : rows[0][0].source);
      return h("div", { class: "tools panel-tools" }, shot.panels.flatMap((row, down) => row.map((one, across) => {
        const now = (/** @type {Panel[]} */ ...instead) =>
          show(written(shot.panels.map((each, n) => (n === down ? each.toSpliced(across, 1, ...instead) : each)).filter((each) => each.length)));
        const side = row.length > shot.panels.length ? "x" : row.length < shot.panels.length ? "y" : "";
        const id = `panel-${down}-${across}`;
        const middle = /** @type {HTMLInputElement} */ (h("input", { id, type: "range", min: 0, max: 1, step: 0.05, value: side === "y" ? one.y : one.x }));
        middle.addEventListener("change", () => now({ ...one, [side]: Number(middle.value) }));
        return h("span", { class: "panel-tool" },
          side ? [h("label", { for: id }, `${one.source}, ${side === "x" ? "left to right" : "top to bottom"} `), middle] : one.source,
          button("Take it out", () => now(), { "aria-label": `Take it out: ${one.source}, panel ${across + 1} of row ${down + 1}` }));
      })));
    }

    /** @param {number} frame */
    function placeOf(frame) {
      const bar = cut.bars.findLast((one) => one.first <= frame);
      const beat = bar ? bar.beats.findLastIndex((one) => one <= frame) : -1;
      return bar ? `bar ${bar.label}, beat ${beat + 1}` : `frame ${frame}`;
    }

    const split = () => desk.change("/api/cut/split", () => ({ frame: at }));

    const join = () => desk.change("/api/cut/join", () => {
      const shot = cut.shots[shotAt()];
      return shot ? { frame: shot.start } : null;
    });

    /** Let the shot at the mark begin elsewhere; the mark stays in it. @param {(start: number) => number | undefined} to */
    async function move(to) {
      const done = await desk.change("/api/cut/move", () => {
        const shot = cut.shots[shotAt()];
        const wish = shot && to(shot.start);
        if (wish === undefined || wish < 0) return null;
        at = Math.max(at, wish);
        return { frame: shot.start, to: wish };
      });
      if (done) draw();
    }

    const moveFrame = (/** @type {number} */ by) => move((start) => start + by);
    const moveBeat = (/** @type {number} */ by) =>
      move((start) => (by > 0 ? beats().find((beat) => beat > start) : beats().findLast((beat) => beat < start)));

    /** @param {MouseEvent} event @param {Bar} bar */
    function pointAt(event, bar) {
      const box = /** @type {Element} */ (/** @type {Element} */ (event.currentTarget).parentElement).getBoundingClientRect();
      const frame = bar.first + ((event.clientX - box.left) / box.width) * (bar.stop - bar.first);
      at = bar.beats.findLast((beat) => beat <= frame) ?? bar.first;
      draw();
    }

    /** @param {number} by */
    function step(by) {
      const all = beats();
      const next = by > 0 ? all.find((beat) => beat > at) : all.findLast((beat) => beat < at);
      if (next !== undefined) at = next;
      draw();
    }

    /** Go to a line above or below. @param {number} by */
    function stepLine(by) {
      const number = cut.bars.findLastIndex((bar) => bar.first <= at) + by * cut.bars_a_line;
      if (cut.bars[number]) at = cut.bars[number].first;
      draw();
    }

    draw();
    effects.fill(cut.effects, cut.meter);
    return {
      async changed() {
        player.hide(); // what it shows is another cut
        cut = await get("/api/cut");
        draw();
        effects.fill(cut.effects, cut.meter);
      },
      job(job) {
        if (job.kind === "atlas" && job.state === "done" && !player.element.hidden) player.hide();
      },
      keys: [
        ["Space", "play from the mark; any key stops it"], ["← →", "the mark, a beat back or on"], ["↑ ↓", "the mark, a line up or down"], ["N, P", "the next shot, the one before"],
        ["S", "split the shot at the mark"], ["J", "join the shot to the one before"], ["Shift ← →", "the shot begins a frame earlier, later"],
      ],
      key(event) {
        if (event.key === " " && !(event.target instanceof HTMLButtonElement)) {
          void play();
          return true;
        }
        if (event.key === "Escape" && !player.element.hidden) {
          player.hide();
          return true;
        }
        const sideways = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
        const upright = { ArrowUp: -1, ArrowDown: 1 }[event.key];
        if (sideways && event.shiftKey) void moveFrame(sideways);
        else if (sideways) step(sideways);
        else if (upright) stepLine(upright);
        else if (!desk.singleKeys()) return false;
        else if (event.key === "s") void split();
        else if (event.key === "j") void join();
        else if (event.key === "n" || event.key === "p") {
          at = cut.shots[shotAt() + (event.key === "n" ? 1 : -1)]?.start ?? at;
          draw();
        } else return false;
        return true;
      },
      close: () => player.close(),
    };
  },
};
