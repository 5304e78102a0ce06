// A page whose work is done by commands so far: its state, and the commands, plainly.
import { h } from "./dom.js";

/**
 * @param {string} title
 * @param {string} phase
 * @param {string} answers  What the phase answers.
 * @param {[string, string][]} commands  The words after "partsong", with FILM where the film goes, and what they do.
 * @returns {import("./page.js").Page}
 */
export function plain(title, phase, answers, commands) {
  return {
    title,
    async open(sheet, desk) {
      const state = h("p", { class: "lead" });
      const draw = () => (state.textContent = `${desk.film.phases.find((one) => one.phase === phase)?.state}.`);
      draw();
      sheet.append(h("p", { class: "answers" }, answers), state, commandList(desk.film.folder, commands));
      return { changed: draw, job: draw };
    },
  };
}

/** @param {string} folder @param {[string, string][]} commands */
export function commandList(folder, commands) {
  return h("section", { class: "commands" },
    h("h2", {}, "Done in the terminal"),
    h("dl", {}, commands.flatMap(([command, words]) => [
      h("dt", {}, h("code", {}, `partsong ${command.replace("FILM", folder)}`)), h("dd", {}, words),
    ])));
}
