// Shoot: takes as contact prints, each with its verdict and what was found on the picture; the take log.
import { get } from "../lib/api.js";
import { button, h } from "../lib/dom.js";
import { later } from "../lib/pictures.js";
import { commandList } from "../lib/plain.js";

/** @typedef {{sentence: string, advice: string, verdict: string, when: string, size: string, box: {x: number, y: number, width: number, height: number} | null, picture: string}} Finding */
/** @typedef {{take: string, part: string, roaming: boolean, picture: string, facts: string, verdict: string, sentence: string, to_decide: boolean, unseen: string[], findings: Finding[], odd: string[], open: string[], circled: boolean, slate: string, notes: string}} Print */

/** @type {import("../lib/page.js").Page} */
export default {
  title: "Shoot",
  async open(sheet, desk, query) {
    const prints = h("div", { class: "prints" });
    let chosen = query.get("take") ?? "";
    sheet.append(
      h("div", { class: "tools" }, button("Look at the takes", () => desk.begin("look-at-takes", "/api/shoot/check"), { id: "look" })),
      h("p", { class: "small" }, "Before anything is struck: lights on stands stay sandbagged, and hot lamps cool before they are carried."),
      desk.progress("look-at-takes"), prints,
      commandList(desk.film.folder, [
        ["shoot offload CARD --to DISK", "copies a card to several disks and reads every copy again"],
        ["shoot add FILM FOLDER", "takes in clips, one folder a part"],
        ["shoot set FILM TAKE", "corrects what a take is: part, distance, encoding"],
      ]));

    async function draw() {
      if (prints.contains(document.activeElement) && document.activeElement?.matches("textarea, input[type=text]")) return; // do not take the pen away
      const state = await get("/api/shoot");
      prints.replaceChildren(...state.prints.map(print));
      /** @type {HTMLElement | null} */ (prints.querySelector(".print.chosen"))?.scrollIntoView({ block: "nearest" });
    }

    /** @param {Print} one */
    function print(one) {
      const picture = later(one.picture, { alt: `A frame of ${one.take}` });
      const boxes = h("div", { class: "boxes" });
      const show = (/** @type {Finding} */ found) => {
        picture.src = found.picture;
        boxes.replaceChildren(found.box && h("span", { class: "box", style: percent(found.box) }) || "");
      };
      const boxed = one.findings.filter((found) => found.box);
      boxes.replaceChildren(...boxed.map((found) => h("span", { class: "box", style: percent(/** @type {any} */ (found.box)) })));
      const circle = /** @type {HTMLInputElement} */ (h("input", { type: "checkbox", id: `circle-${one.take}`, checked: one.circled }));
      circle.addEventListener("change", () => desk.change(`/api/shoot/takes/${one.take}/note`, { circled: circle.checked }));
      return h("article", { class: `print${one.take === chosen ? " chosen" : ""}`, "aria-label": one.take },
        h("div", { class: "surround" }, h("div", { class: "picture" }, picture, boxes)),
        h("h2", {}, one.part, " ", h("span", { class: "small" }, one.take)),
        one.verdict && h("p", { class: `verdict-words${one.to_decide ? " decide" : ""}` }, one.sentence || h("strong", {}, one.verdict)),
        one.findings.length > 0 && h("ul", { class: "findings-list" }, one.findings.map((found) =>
          h("li", {},
            (found.when || found.box) && h("button", { type: "button", class: "finding", onclick: () => show(found), "aria-label": `Show where: ${found.sentence}` }, [found.when, found.size].filter(Boolean).join(" · ") || "where"),
            " ", found.sentence, " ", h("em", {}, found.advice)))),
        h("p", { class: "small" }, [one.facts, ...one.odd, ...one.open].join("; ")),
        one.unseen.length > 0 && h("details", { class: "small" }, h("summary", {}, "What was not looked at"), h("ul", {}, one.unseen.map((words) => h("li", {}, words)))),
        h("div", { class: "log" },
          h("label", { for: `circle-${one.take}` }, circle, " Circled: the one to use"),
          field(one, "slate", "Slate", one.slate), field(one, "text", "Notes", one.notes)));
    }

    /** @param {Print} one @param {"slate" | "text"} name @param {string} label @param {string} value */
    function field(one, name, label, value) {
      const id = `${name}-${one.take}`;
      const input = /** @type {HTMLInputElement} */ (h("input", { type: "text", id, value, maxlength: 4000 }));
      input.addEventListener("change", () => desk.change(`/api/shoot/takes/${one.take}/note`, { [name]: input.value }));
      return h("p", {}, h("label", { for: id }, label), input);
    }

    await draw();
    return { changed: draw, job: (job) => job.kind === "look-at-takes" && job.state !== "running" && draw() };
  },
};

/** @param {{x: number, y: number, width: number, height: number}} box */
function percent(box) {
  return { left: `${box.x * 100}%`, top: `${box.y * 100}%`, width: `${box.width * 100}%`, height: `${box.height * 100}%` };
}
