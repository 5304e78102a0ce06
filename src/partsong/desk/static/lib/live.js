// The live check: what a camera sees now, over the reference, with how far it is off and which way to nudge it.
// The picture goes nowhere but into the desk's memory: it is compared there, answered, and forgotten.
import { Refused, send } from "./api.js";
import { button, h } from "./dom.js";
import { drawn, edgesOf, greyOf, pgm } from "./overlay.js";

/** @typedef {import("./overlay.js").Overlay} Overlay */
/** @typedef {{words: string[], same_room: boolean, moved: boolean}} Reading */

const DRAW_MS = 80; // between pictures: enough for a hand on a tripod
const ASK_MS = 250; // between questions, at least; the next one waits for the answer to the one before
/** @type {[Overlay, string][]} */
const VIEWS = [["onion", "Half and half"], ["difference", "Difference"], ["edges", "Edges"], ["camera", "Camera"]];
/** @type {Record<Overlay, string>} */
const MEANING = {
  onion: "The camera and the reference, half of each: what stands where it stood looks single.",
  difference: "Even grey where both are alike. A thing that moved, or the camera, shows as a bright and a dark rim; another light shows as broad shades.",
  edges: "White lines are the reference, black ones the camera. Where they fall together there is none.",
  camera: "What the camera sees now.",
  reference: "The reference.",
};

/**
 * @param {import("./page.js").Desk} desk
 * @param {{take: string, words: string}[]} takes  What may be held against; the first is the film's reference.
 * @param {URLSearchParams} query
 */
export function liveCheck(desk, takes, query) {
  let view = /** @type {Overlay} */ (VIEWS.some(([name]) => name === query.get("overlay")) ? query.get("overlay") : "edges");
  let held = false; // the key that shows the reference is down
  let against = takes.some((one) => one.take === query.get("against")) ? /** @type {string} */ (query.get("against")) : takes[0]?.take;
  /** @type {MediaStream | null} */
  let stream = null;
  /** @type {{grey: import("./overlay.js").Grey, edges: Float32Array} | null} */
  let reference = null;
  let asking = false;
  let [drawn_at, asked_at] = [0, 0];
  let run = 0; // rises whenever the camera is started or stopped
  /** @type {Promise<void>} */
  let ready = Promise.resolve(); // the reference, which may take a while to be looked at the first time

  const video = /** @type {HTMLVideoElement} */ (h("video", { class: "stream", playsinline: true, muted: true, "aria-hidden": "true", tabindex: "-1" }));
  const canvas = /** @type {HTMLCanvasElement} */ (h("canvas", { role: "img", "aria-label": "The camera over the reference" }));
  const paper = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
  const flat = /** @type {OffscreenCanvasRenderingContext2D} */ (new OffscreenCanvas(1, 1).getContext("2d", { willReadFrequently: true }));
  const words = h("p", { class: "lead", id: "live-words" });
  const advice = h("p", { id: "live-advice" });
  const heard = h("p", { class: "unseen", role: "status" }); // told aloud, but only when the way changes
  const meaning = h("p", { class: "small" });
  const surround = h("div", { class: "surround live-picture", hidden: true }, canvas, video);
  const cameras = /** @type {HTMLSelectElement} */ (h("select", { id: "live-camera", onchange: () => stream && start() }, h("option", { value: "" }, "The browser's choice")));
  const references = /** @type {HTMLSelectElement} */ (h("select", { id: "live-against", onchange: () => prepare(references.value) },
    takes.map(({ take, words: name }) => h("option", { value: take, selected: take === against }, name))));
  const go = button("Start the camera", () => (stream ? stop() : start()), { id: "live-start", disabled: !takes.length });
  const views = h("div", { class: "tools", role: "group", "aria-label": "How they are laid over each other", hidden: true });
  const element = h("section", { class: "live", id: "live", "aria-labelledby": "live-title" },
    h("h2", { id: "live-title" }, "Live check: is the camera where it was?"),
    h("p", { class: "before" }, "Before the light is struck, hold what the camera sees now against the reference, and nudge it back. "
      + "Connect the camera's clean output through a capture device."),
    h("p", { class: "tools" }, h("label", { for: "live-camera" }, "Camera ", cameras), h("label", { for: "live-against" }, "held against ", references), go),
    h("p", { class: "small" }, "Stay clear of the legs while a light hangs over them. The picture stays on this machine and is not kept."),
    words, advice, heard, views, surround, meaning);

  // --- the camera --------------------------------------------------------------------------------

  async function start() {
    stop();
    const mine = run;
    say("Asking for the camera.", "");
    if (!navigator.mediaDevices) {
      say("This browser gives no page a camera.", "Open the desk in a browser that does, under the address that it printed.", true);
      return;
    }
    try {
      const wish = { width: { ideal: 1920 }, height: { ideal: 1080 }, ...(cameras.value ? { deviceId: { exact: cameras.value } } : {}) };
      const given = await navigator.mediaDevices.getUserMedia({ video: wish, audio: false });
      if (mine !== run) {
        released(given); // the page was left, or another camera chosen, meanwhile
        return;
      }
      stream = given;
      const [track] = given.getVideoTracks();
      track.addEventListener("ended", () => {
        if (stream !== given) return;
        stop();
        say("The camera stopped giving pictures.", "See whether it is still on and connected, then start it again.", true);
      });
      video.srcObject = given;
      await Promise.all([video.play(), listed(track.getSettings().deviceId ?? "")]);
      say("Reading the reference.", "");
      await ready;
    } catch (problem) {
      if (mine !== run) return;
      stop();
      say(...inWords(problem), true);
      return;
    }
    if (mine !== run) return;
    go.textContent = "Stop the camera";
    element.classList.add("on");
    surround.hidden = views.hidden = false;
    drawViews();
    video.requestVideoFrameCallback(() => seen(mine));
  }

  function stop() {
    run += 1;
    if (stream) released(stream);
    stream = null;
    video.srcObject = null;
    asking = false;
    go.textContent = "Start the camera";
    element.classList.remove("on");
    surround.hidden = views.hidden = true;
    meaning.textContent = "";
    say("", "");
  }

  /** Which cameras there are is told only once one was allowed. @param {string} now */
  async function listed(now) {
    const found = (await navigator.mediaDevices.enumerateDevices()).filter((one) => one.kind === "videoinput");
    cameras.replaceChildren(...found.map((one, number) =>
      h("option", { value: one.deviceId, selected: one.deviceId === now }, one.label || `Camera ${number + 1}`)));
  }

  /** @param {string} take */
  function prepare(take) {
    against = take;
    reference = null;
    desk.link({ against: take === takes[0]?.take ? null : take });
    ready = hold(take);
    ready.catch((problem) => against === take && say(...inWords(problem), true));
  }

  /** @param {string} take */
  async function hold(take) {
    const picture = new Image();
    picture.src = `/media/shoot/reference/${encodeURIComponent(take)}`;
    try {
      await picture.decode();
    } catch {
      throw new Refused("Away", `The reference, ${take}, cannot be read.`, 0);
    }
    if (against !== take) return;
    flat.canvas.width = canvas.width = picture.naturalWidth;
    flat.canvas.height = canvas.height = picture.naturalHeight;
    flat.drawImage(picture, 0, 0);
    const grey = greyOf(flat.getImageData(0, 0, canvas.width, canvas.height));
    reference = { grey, edges: edgesOf(grey) };
  }

  // --- a picture ---------------------------------------------------------------------------------

  /** @param {number} mine */
  function seen(mine) {
    if (mine !== run) return;
    const now = performance.now();
    if (reference && now - drawn_at >= DRAW_MS) {
      drawn_at = now;
      const { width, height } = reference.grey;
      flat.drawImage(video, 0, 0, width, height);
      const grey = greyOf(flat.getImageData(0, 0, width, height));
      paper.putImageData(drawn(held ? "reference" : view, grey, reference.grey, reference.edges), 0, 0);
      if (!asking && now - asked_at >= ASK_MS) {
        asked_at = now;
        void ask(grey, mine);
      }
    }
    video.requestVideoFrameCallback(() => seen(mine));
  }

  /** @param {import("./overlay.js").Grey} grey @param {number} mine */
  async function ask(grey, mine) {
    asking = true;
    const held_against = against;
    try {
      /** @type {Reading} */
      const reading = await send(`/api/shoot/live/${encodeURIComponent(held_against)}`, pgm(grey));
      const [place, ...more] = reading.words;
      if (mine === run && held_against === against) say(place, more.join(" "), reading.moved || !reading.same_room);
    } catch (problem) {
      if (!(problem instanceof Refused)) throw problem;
      if (mine === run) say(problem.message, "", true);
    } finally {
      if (mine === run) asking = false;
    }
  }

  // --- words and views ---------------------------------------------------------------------------

  /** @param {string} sentence @param {string} what @param {boolean} [decide] */
  function say(sentence, what, decide = false) {
    words.textContent = sentence;
    words.classList.toggle("decide", decide);
    advice.textContent = what;
    const way = `${decide ? sentence.replace(/[\d.]+/g, "").trim() : sentence} ${what.replace(/[\d.]+/g, "")}`;
    if (heard.dataset.way === way) return;
    heard.dataset.way = way;
    heard.textContent = [sentence, what].filter(Boolean).join(" ");
  }

  function drawViews() {
    const reference_button = button("Hold for the reference", () => {}, {
      id: "live-reference", "aria-keyshortcuts": "R",
      onpointerdown: () => peek(true), onpointerup: () => peek(false), onpointerleave: () => peek(false), onblur: () => peek(false),
      onkeydown: (/** @type {KeyboardEvent} */ event) => [" ", "Enter"].includes(event.key) && peek(true), onkeyup: () => peek(false),
    });
    views.replaceChildren(...VIEWS.map(([name, label], number) =>
      button(label, () => show(name), { "aria-pressed": String(name === view), "data-overlay": name, "aria-keyshortcuts": `Shift+${number + 1}` })), reference_button);
    meaning.textContent = MEANING[view];
  }

  /** @param {Overlay} name */
  function show(name) {
    view = name;
    drawn_at = 0;
    desk.link({ overlay: name === "edges" ? null : name });
    drawViews();
    /** @type {HTMLElement | null} */ (views.querySelector(`[data-overlay="${name}"]`))?.focus();
  }

  /** @param {boolean} down */
  function peek(down) {
    if (held === down) return;
    held = down;
    drawn_at = 0;
    meaning.textContent = MEANING[down ? "reference" : view];
  }

  if (against) prepare(against);
  return {
    element,
    /** Show the reference while a key is down. */
    peek,
    get on() {
      return stream !== null;
    },
    /** The next way of laying them over each other. */
    next() {
      show(VIEWS[(VIEWS.findIndex(([name]) => name === view) + 1) % VIEWS.length][0]);
    },
    /** Let go of the camera. */
    close: stop,
  };
}

/** @param {MediaStream} stream */
function released(stream) {
  for (const track of stream.getTracks()) track.stop();
}

/** What went wrong, and what to do. @param {unknown} problem @returns {[string, string]} */
function inWords(problem) {
  if (problem instanceof Refused) return [problem.message, ""];
  const name = problem instanceof DOMException ? problem.name : "";
  if (name === "NotFoundError" || name === "OverconstrainedError") return ["There is no camera here.", "Connect the camera's clean output through a capture device, then start it again."];
  if (name === "NotAllowedError") return ["The browser does not allow this page the camera.", "Allow it beside the page's address, then start it again."];
  if (name === "NotReadableError" || name === "AbortError") return ["The camera is there but gives no picture.", "Another program may be using it: close that one, then start it again."];
  throw problem;
}
