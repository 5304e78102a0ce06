// Film home: where the film stands in each phase, and the next thing worth doing.
import { h } from "../lib/dom.js";
import { clock, PHASE_NAMES } from "../lib/words.js";

/** @type {Record<string, string>} */
const ANSWERS = {
  prepare: "What do we shoot, where and when, and will it fit?",
  shoot: "May I strike this set-up?",
  lineup: "Where does each take sit on the song, and how sure is that?",
  stage: "Does it look like one room and one moment?",
  look: "Is it one look, with real black?",
  cut: "Does it move with the music?",
  signoff: "May I send it?",
};

/** @type {import("../lib/page.js").Page} */
export default {
  title: "The film",
  async open(sheet, desk) {
    const draw = () => {
      const { film } = desk;
      sheet.replaceChildren(
        h("header", { class: "title-page" },
          h("h1", {}, film.song || film.name),
          h("p", {}, [clock(film.length_s), film.rate && `${+film.rate.toFixed(3)} frames a second`, `in the folder ${film.folder}`].filter(Boolean).join(" · "))),
        h("section", { class: "next" },
          h("h2", {}, "Next"),
          h("p", { class: "lead" }, film.next.sentence),
          h("p", {}, h("a", { class: "go", href: `/${film.next.phase}` }, `Turn to ${PHASE_NAMES[film.next.phase]}`),
            " or type ", h("code", {}, film.next.command))),
        h("table", { class: "programme" },
          h("caption", {}, "The seven phases"),
          h("tbody", {}, film.phases.map(({ phase, state, to_decide }) =>
            h("tr", {},
              h("th", { scope: "row" }, h("a", { href: `/${phase}` }, PHASE_NAMES[phase])),
              h("td", { class: "answers" }, ANSWERS[phase]),
              h("td", { class: to_decide ? "decide" : "" }, state))))),
      );
    };
    draw();
    return { changed: draw, job: (job) => job.state !== "running" && setTimeout(draw, 300) };
  },
};
