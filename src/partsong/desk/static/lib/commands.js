// The commands that do a page's work too, or what no page does yet.
import { h } from "./dom.js";

/**
 * @param {string} folder
 * @param {[string, string][]} commands  The words after "partsong", with FILM where the film goes, and what they do.
 */
export function commandList(folder, commands) {
  return h("section", { class: "commands" },
    h("h2", {}, "Done in the terminal"),
    h("dl", {}, commands.flatMap(([command, words]) => [
      h("dt", {}, h("code", {}, `partsong ${command.replace("FILM", folder)}`)), h("dd", {}, words),
    ])));
}
