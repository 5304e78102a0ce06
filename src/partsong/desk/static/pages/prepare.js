// Prepare: what the film knows of the day to come, and the commands that plan it.
import { h } from "../lib/dom.js";
import { commandList } from "../lib/plain.js";

/** @type {import("../lib/page.js").Page} */
export default {
  title: "Prepare",
  async open(sheet, desk) {
    const state = h("p", { class: "lead" });
    const draw = () => (state.textContent = `${desk.film.phases.find((one) => one.phase === "prepare")?.state}.`);
    draw();
    sheet.append(
      h("p", { class: "answers" }, "What do we shoot, where, in what order, with what light, and will it fit the day and the cards?"), state,
      commandList(desk.film.folder, [
        ["prepare guide FILM", "writes the guide track to play to: count-in, clicks and cues to line up by"],
        ["prepare day FILM", "lays out the order of the day and says whether it fits"],
        ["prepare sheet FILM", "writes the shoot sheet to print"],
        ["prepare cards", "sums up what takes fill on the cards"],
        ["prepare lens", "says what a lens sees of the room"],
        ["prepare light", "adds up the lamps on one circuit; local codes and licensed practice come first"],
      ]),
      h("p", { class: "small" }, "Each takes options; add --help to see them. Sandbag every stand, tape every cable, and mind the volume of loud takes."));
    return { changed: draw };
  },
};
