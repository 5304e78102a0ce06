// Shoot: takes as contact prints with verdict and findings; one enlarged to look at what was found; the take log; and
// the live check, which holds what the camera sees now against the reference.
import { get } from "../lib/api.js";
import { button, h } from "../lib/dom.js";
import { marksOf } from "../lib/findings.js";
import { liveCheck } from "../lib/live.js";
import { later, orWords } from "../lib/pictures.js";
import { cautionList } from "../lib/cautions.js";
import { commandList } from "../lib/commands.js";

/** @typedef {import("../lib/findings.js").Finding} Finding */
/** @typedef {{take: string, part: string, roaming: boolean, width: number, height: number, picture: string, large: string, facts: string, verdict: string, sentence: string, to_decide: boolean, unseen: string[], findings: Finding[], odd: string[], open: string[], circled: boolean, slate: string, notes: string}} Print */

/** @type {import("../lib/page.js").Page} */
export default {
  title: "Shoot",
  async open(sheet, desk, query) {
    /** @type {{reference: string, prints: Print[], cautions: import("../lib/cautions.js").Caution[], rules: string}} */
    let state = await get("/api/shoot");
    let chosen = query.get("take") ?? "";
    let finding = query.has("finding") ? Number(query.get("finding")) : -1; // of the enlarged print; -1 for all of them
    let held = false; // the key that shows the reference is down
    /** @type {ReturnType<typeof liveCheck> | null} */
    let live = null;

    const prints = h("div", { class: "prints" });
    const place = h("div", {});
    const live_button = button("Live check", () => (live ? closeLive() : openLive()), { id: "live-check", "aria-expanded": "false" });
    sheet.append(
      h("div", { class: "tools" }, button("Look at the takes", () => desk.begin("look-at-takes", "/api/shoot/check"), { id: "look" }), live_button),
      h("details", { id: "strike" },
        h("summary", {}, `Before you strike: ${state.cautions.map((one) => one.title.toLowerCase()).join(", ")}.`),
        cautionList(state.cautions, state.rules)),
      desk.progress("look-at-takes"), place, prints,
      commandList(desk.film.folder, [
        ["shoot offload CARD --to DISK", "copies a card to several disks and reads every copy again"],
        ["shoot add FILM FOLDER", "takes in clips, one folder a part"],
        ["shoot set FILM TAKE", "corrects what a take is: part, distance, encoding"],
      ]));

    // --- the prints ------------------------------------------------------------------------------

    async function changed() {
      state = await get("/api/shoot");
      if (prints.contains(document.activeElement) && document.activeElement?.matches("input[type=text]")) return; // do not take the pen away
      draw();
    }

    function draw() {
      const had = document.activeElement?.id;
      prints.replaceChildren(...state.prints.map((one) => print(one, one.take === chosen)));
      if (had && prints.querySelector(`#${CSS.escape(had)}`)) document.getElementById(had)?.focus();
    }

    /** @param {Print} one @param {boolean} large */
    function print(one, large) {
      const shown = large ? one.findings.filter((_, number) => finding < 0 || number === finding) : one.findings;
      const now = large && finding >= 0 ? one.findings[finding]?.picture ?? one.large : one.large;
      const before = state.prints.find((other) => other.take === state.reference);
      const peeking = large && held && before;
      const src = peeking ? before.large : large ? now : one.picture;
      const alt = peeking ? `The reference, ${before.take}` : `A frame of ${one.take}`;
      const shape = { alt, width: one.width, height: one.height }; // so that the marks lie right before it is there
      const image = large ? h("img", { src, ...shape }) : later(src, shape);
      orWords(image, "No picture: the clip cannot be read where it was.");
      const picture = h("div", { class: "picture" }, image,
        marksOf(shown, one.width, one.height),
        peeking && h("span", { class: "which" }, `The reference, ${before.part}`));
      const circle = /** @type {HTMLInputElement} */ (h("input", { type: "checkbox", id: `circle-${one.take}`, checked: one.circled }));
      circle.addEventListener("change", () => desk.change(`/api/shoot/takes/${one.take}/note`, { circled: circle.checked }));
      return h("article", { class: `print${large ? " large" : ""}`, id: `print-${one.take}`, "aria-label": one.take },
        h("div", { class: "surround" }, picture),
        h("div", { class: "words" },
          h("h2", {}, one.part, " ", h("span", { class: "small" }, one.take === state.reference ? `${one.take}, the reference` : one.take)),
          one.verdict && h("p", { class: `verdict-words${one.to_decide ? " decide" : ""}` }, large && one.findings.length ? h("strong", {}, one.verdict) : one.sentence || h("strong", {}, one.verdict)),
          one.findings.length > 0 && h("ol", { class: "findings-list" }, one.findings.map((found, number) =>
            h("li", {},
              h("button", {
                type: "button", class: "finding", id: `finding-${one.take}-${number}`, onclick: () => look(one.take, number),
                "aria-pressed": String(large && finding === number), "aria-label": `Show where: ${found.sentence}`,
              }, [found.when, found.size].filter(Boolean).join(" · ") || "look"),
              " ", found.sentence, " ", h("em", {}, found.advice)))),
          h("p", { class: "tools" },
            !large && button("Enlarge", () => look(one.take, -1), { id: `enlarge-${one.take}`, "aria-label": `Enlarge ${one.take}` }),
            large && before && before.take !== one.take && button("Hold for the reference", () => {}, {
              id: "peek", "aria-keyshortcuts": "R", onpointerdown: () => peek(true), onpointerup: () => peek(false), onpointerleave: () => peek(false),
              onkeydown: (/** @type {KeyboardEvent} */ event) => [" ", "Enter"].includes(event.key) && peek(true), onkeyup: () => peek(false), onblur: () => peek(false),
            }),
            large && !one.roaming && one.take !== state.reference && button("Take it for the reference", () => desk.change(`/api/shoot/takes/${one.take}/reference`, {}), { id: "choose-reference" }),
            large && finding >= 0 && button("All findings", () => look(one.take, -1), { id: "all-findings" }),
            large && button("Smaller", small, { id: "smaller", "aria-keyshortcuts": "Escape" })),
          h("p", { class: "small" }, [one.facts, ...one.odd, ...one.open].join("; ")),
          one.unseen.length > 0 && h("details", { class: "small" }, h("summary", {}, "What was not looked at"), h("ul", {}, one.unseen.map((words) => h("li", {}, words)))),
          h("div", { class: "log" },
            h("label", { for: `circle-${one.take}` }, circle, " Circled: the one to use"),
            field(one, "slate", "Slate", one.slate), field(one, "text", "Notes", one.notes))));
    }

    /** @param {Print} one @param {"slate" | "text"} name @param {string} label @param {string} value */
    function field(one, name, label, value) {
      const id = `${name}-${one.take}`;
      const input = /** @type {HTMLInputElement} */ (h("input", { type: "text", id, value, maxlength: 4000 }));
      input.addEventListener("change", () => desk.change(`/api/shoot/takes/${one.take}/note`, { [name]: input.value }));
      return h("p", {}, h("label", { for: id }, label), input);
    }

    // --- looking at what was found ---------------------------------------------------------------

    /** @param {string} take @param {number} number */
    function look(take, number) {
      [chosen, finding] = [take, number];
      desk.link({ take, finding: number < 0 ? null : number });
      draw();
      document.getElementById(`print-${take}`)?.scrollIntoView({ block: "nearest" });
      (document.getElementById(`finding-${take}-${number}`) ?? document.getElementById("smaller"))?.focus({ preventScroll: true });
    }

    function small() {
      const take = chosen;
      [chosen, finding, held] = ["", -1, false];
      desk.link({ take: null, finding: null });
      draw();
      document.getElementById(`enlarge-${take}`)?.focus();
    }

    /** The next finding of the film, or the one before. @param {number} by */
    function step(by) {
      const all = state.prints.flatMap((one) => one.findings.map((_, number) => ({ take: one.take, number })));
      if (!all.length) return;
      const now = all.findIndex((one) => one.take === chosen && one.number === finding);
      const from = now >= 0 ? now : by > 0 ? -1 : all.length;
      const next = all[(from + by + all.length) % all.length];
      look(next.take, next.number);
    }

    /** Before and after: the reference while a key or button is down. @param {boolean} down */
    function peek(down) {
      if (live?.on) {
        live.peek(down);
        return;
      }
      if (held === down || !chosen) return;
      held = down;
      // Only the picture is another: a button that is held must stay what it is.
      const article = prints.querySelector(".print.large");
      const one = state.prints.find((other) => other.take === chosen);
      const old = article?.querySelector(".picture");
      if (one && old) old.replaceWith(/** @type {Node} */ (print(one, true).querySelector(".picture")));
    }

    // --- the live check --------------------------------------------------------------------------

    function openLive() {
      const usable = state.prints.filter((one) => !one.roaming);
      usable.sort((one, other) => Number(other.take === state.reference) - Number(one.take === state.reference));
      live = liveCheck(desk, usable.map((one) => ({ take: one.take, words: `${one.part}, ${one.take}` })), new URLSearchParams(location.search));
      place.replaceChildren(live.element);
      desk.link({ live: 1 });
      live_button.setAttribute("aria-expanded", "true");
      document.getElementById("live-start")?.focus();
    }

    function closeLive() {
      live?.close();
      live = null;
      place.replaceChildren();
      desk.link({ live: null, overlay: null, against: null });
      live_button.setAttribute("aria-expanded", "false");
    }

    // --- begin -----------------------------------------------------------------------------------

    const let_go = (/** @type {KeyboardEvent} */ event) => event.key.toLowerCase() === "r" && peek(false);
    document.addEventListener("keyup", let_go);
    const away = () => peek(false);
    addEventListener("blur", away);
    draw();
    if (chosen) document.getElementById(`print-${chosen}`)?.scrollIntoView({ block: "nearest" });
    if (query.has("live")) openLive();
    return {
      changed,
      job: (job) => job.kind === "look-at-takes" && job.state !== "running" && changed(),
      key(event) {
        const letter = desk.singleKeys() ? event.key.toLowerCase() : "";
        if (letter === "r") peek(true);
        else if (letter === "o" && live?.on) live.next();
        else if (event.key === "ArrowDown" && chosen) step(1);
        else if (event.key === "ArrowUp" && chosen) step(-1);
        else if (letter === "f") step(event.shiftKey ? -1 : 1);
        else if (event.key === "Escape" && chosen) small();
        else return false;
        return true;
      },
      keys: [
        ["F, Shift F", "look at the next finding, or the one before"],
        ["Down, Up", "the same, once a take is enlarged"],
        ["R, held", "the reference instead of the take, or of the camera"],
        ["O", "the camera over the reference in the next way"],
        ["Escape", "make the take small again"],
      ],
      close() {
        document.removeEventListener("keyup", let_go);
        removeEventListener("blur", away);
        live?.close();
      },
    };
  },
};
