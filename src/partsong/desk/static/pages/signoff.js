// Sign off: plain sentences with the measured number, the limit and its source beside each; the masters to watch.
import { get } from "../lib/api.js";
import { cropsSection } from "../lib/crops.js";
import { button, h } from "../lib/dom.js";
import { curtain } from "../lib/flashing.js";

/** @typedef {{topic: string, sentence: string, measured: string, limit: string, source: string, to_decide: boolean, stated: boolean, caution: string}} Line */
/** @typedef {{name: string, path: string, playable: boolean, facts: string, measured: boolean, flashing: "safe" | "fails" | "unknown", lines: Line[]}} Master */

/** @type {import("../lib/page.js").Page} */
export default {
  title: "Sign off",
  async open(sheet, desk) {
    const kind = /** @type {HTMLSelectElement} */ (h("select", { id: "kind" },
      h("option", { value: "h264" }, "to deliver (H.264)"),
      h("option", { value: "mezzanine" }, "to work on (10 bits)"),
      h("option", { value: "both" }, "both")));
    const whole = h("option", { value: "" }, "the whole frame");
    const frame = /** @type {HTMLSelectElement} */ (h("select", { id: "frame", "aria-label": "What of the frame", hidden: true }, whole));
    const verdict = h("p", { class: "lead verdict" });
    const way = h("p", { class: "decide" });
    const make = button("Make masters", () => desk.begin("masters", "/api/signoff/masters", { kind: kind.value, crop: frame.value }), { id: "make" });
    const measure = button("Measure them", () => desk.begin("measure", "/api/signoff/measure"), { id: "measure" });
    const hand = button("Write report and edit", () => desk.begin("hand-over", "/api/signoff/hand-over"), { id: "hand-over" });
    const masters = h("div", { class: "masters" });
    const given = h("section");
    const crops = cropsSection(desk);
    /** @type {Set<string>} */
    const open = new Set();
    let drawn = "";

    async function draw() {
      const [state, framed] = await Promise.all([get("/api/signoff"), get("/api/signoff/crops")]);
      crops.draw(framed);
      const text = JSON.stringify({ ...state, revision: 0 });
      verdict.textContent = state.verdict;
      verdict.classList.toggle("decide", state.to_decide);
      way.textContent = state.in_the_way;
      way.hidden = !state.in_the_way;
      /** @type {HTMLButtonElement} */ (make).disabled = Boolean(state.in_the_way);
      /** @type {HTMLButtonElement} */ (hand).disabled = Boolean(state.in_the_way);
      /** @type {HTMLButtonElement} */ (measure).disabled = !state.masters.length || state.masters.every((/** @type {Master} */ one) => one.measured);
      if (text === drawn) return; // a picture that plays is left alone
      drawn = text;
      const chosen = frame.value;
      frame.replaceChildren(whole, ...state.crops.map((/** @type {string} */ shape) => h("option", { value: shape }, `cropped to ${shape}`)));
      frame.value = state.crops.includes(chosen) ? chosen : "";
      frame.hidden = !state.crops.length;
      masters.replaceChildren(...state.masters.map(master));
      given.replaceChildren(...(state.handed_over.length ? [h("h2", {}, "Handed over"), h("ul", {}, state.handed_over.map((/** @type {string} */ name) => h("li", {}, h("code", {}, name))))] : []));
    }

    /** @param {Master} one */
    function master(one) {
      const screen = h("div", { class: "surround screen" });
      const show = () => {
        open.add(one.name); // what somebody chose to see stays open when the page is drawn again
        screen.replaceChildren(h("video", { controls: true, preload: "metadata", src: `/media/masters/${encodeURIComponent(one.name)}`, "aria-label": `The master ${one.name}` }));
      };
      if (open.has(one.name) || one.flashing === "safe") show(); // shown, never played by itself
      else screen.replaceChildren(before(one, show));
      return h("section", { class: "master" },
        h("h2", {}, one.name), h("p", { class: "small" }, one.facts),
        one.playable ? screen : h("p", { class: "small" }, "Ten bits, for other programs: it lies in ", h("code", {}, one.path), "."),
        one.lines.length > 0 && h("table", { class: "findings" },
          h("thead", {}, h("tr", {}, ["What was found", "Measured", "Limit", "Source"].map((words) => h("th", { scope: "col" }, words)))),
          h("tbody", {}, ordered(one.lines).map((line) => h("tr", { class: line.to_decide ? "decide" : "" },
            h("td", {}, line.to_decide && h("strong", {}, "Decide: "), line.sentence, line.caution && h("p", { class: "caution" }, line.caution)),
            h("td", { class: "number" }, line.measured),
            h("td", {}, line.limit || "stated only"),
            h("td", { class: "source" }, line.source))))));
    }

    /** @param {Master} one @param {() => void} show */
    function before(one, show) {
      const why = one.flashing === "fails" ? "This master fails the flash check." : "This master was not measured for flashing yet.";
      return curtain(why, "Show it all the same", show);
    }

    sheet.append(
      verdict, way,
      h("div", { class: "tools" }, h("label", { for: "kind" }, "Masters "), kind, frame, make, measure, hand),
      desk.progress("masters"), desk.progress("measure"), desk.progress("hand-over"), masters, given, crops.section);
    await draw();
    return { changed: draw, job: (job) => job.state !== "running" && draw() };
  },
};

/** What needs a decision comes first. @param {Line[]} lines */
function ordered(lines) {
  return [...lines].sort((one, other) => Number(other.to_decide) - Number(one.to_decide));
}
