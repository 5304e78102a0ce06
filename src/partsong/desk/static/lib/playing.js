// Plays the cut in the preview, with the song: from a frame, when it is asked to, until it is told to stop.
import { get } from "./api.js";
import { button, h } from "./dom.js";
import { effectLayers, shownAt } from "./effects.js";
import { curtain } from "./flashing.js";
import { Preview } from "../preview.js";

/** @typedef {import("./flashing.js").Flashing} Flashing */

/**
 * @param {import("./page.js").Desk} desk
 * @param {{at: (frame: number) => unknown, stopped: (frame: number) => unknown, effects: () => import("./effects.js").Effect[]}} tell  Each frame that is seen, and where it stopped; it is asked for the cut's effects.
 */
export function cutPlayer(desk, tell) {
  const canvas = /** @type {HTMLCanvasElement} */ (h("canvas", { role: "img", "aria-label": "The cut" }));
  const video = /** @type {HTMLVideoElement} */ (h("video", { class: "stream", preload: "auto", playsinline: true, "aria-hidden": "true", tabindex: "-1" }));
  const layers = effectLayers(canvas);
  const frame = h("div", { class: "frame whole" }, canvas, ...layers.elements, video);
  const over = h("div", {});
  const element = h("section", { class: "surround playing", "aria-label": "The cut, played", hidden: true }, over, frame);
  /** @type {Preview | null} */
  let preview = null;
  let opened = ""; // the film that the preview holds
  let stream = 0;
  let lifted = ""; // the warning that a person went past
  let playing = false;

  /** @param {Node[]} shown */
  function instead(...shown) {
    over.replaceChildren(...shown);
    frame.hidden = shown.length > 0;
    element.hidden = false;
  }

  /** Play from a frame; a warning comes first where it is not known that nothing flashes. @param {number} from */
  async function play(from) {
    /** @type {[Flashing, any]} */
    const [flashing, stage] = await Promise.all([get("/api/cut/flashing"), get("/api/stage")]);
    if (stage.cut_in_the_way) return instead(h("div", { class: "curtain" }, h("p", {}, stage.cut_in_the_way)));
    if (!stage.atlas_ready) {
      return instead(h("div", { class: "curtain" }, h("p", {}, "The preview is not prepared for the film as it is now: one small film of all takes."),
        button("Prepare the preview", () => desk.begin("atlas", "/api/stage/atlas"), { id: "prepare-preview" })));
    }
    if (flashing.state !== "safe" && lifted !== flashing.sentence) {
      instead(curtain(flashing.sentence, "Play it all the same", () => { lifted = flashing.sentence; return play(from); }));
      /** @type {HTMLElement} */ (over.querySelector(".watch")).focus();
      return undefined;
    }
    preview ??= new Preview(canvas, video);
    if (!preview.can) return instead(h("div", { class: "curtain" }, h("p", {}, "This browser has no WebGL 2, so the cut cannot be played here. Make a master and watch it on the Sign off page.")));
    instead();
    frame.style.setProperty("--shape", `${stage.width} / ${stage.height}`);
    frame.style.setProperty("--ratio", String(stage.width / stage.height));
    preview.mode = "cut";
    preview.onframe = (at) => {
      layers.lay(tell.effects(), at);
      tell.at(at);
    };
    // What a stutter shows again must have been seen once.
    const stutter = tell.effects().find((one) => one.kind === "stutter" && shownAt([one], from) !== from);
    if (stutter) from = stutter.start;
    preview.frame = from;
    try {
      if (opened !== JSON.stringify(stage)) await preview.open(stage, `/media/atlas?${++stream}`);
      opened = JSON.stringify(stage);
      await preview.show(from);
      playing = true;
      document.addEventListener("keydown", anyKey, { capture: true });
      tell.at(from);
      await preview.play();
    } catch (problem) {
      await stop();
      desk.say(problem instanceof Error ? problem.message : String(problem), true);
    }
    return undefined;
  }

  /** Whatever key is pressed, wherever: it stops, and does nothing else. @param {KeyboardEvent} event */
  function anyKey(event) {
    event.preventDefault();
    event.stopPropagation();
    void stop();
  }

  async function stop() {
    if (!playing || !preview) return;
    playing = false;
    document.removeEventListener("keydown", anyKey, { capture: true });
    await preview.pause();
    tell.stopped(preview.frame);
  }

  video.addEventListener("ended", () => void stop());

  return {
    element, play, stop,
    get playing() {
      return playing;
    },
    hide() {
      void stop();
      element.hidden = true;
    },
    close() {
      playing = false;
      document.removeEventListener("keydown", anyKey, { capture: true });
      preview?.close();
    },
  };
}
