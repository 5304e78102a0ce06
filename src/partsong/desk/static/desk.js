// The frame of the desk: the margin with the phases, the sheet with a page on it, undo, keys, and what happens elsewhere.
import { get, post, Refused } from "./lib/api.js";
import { button, h } from "./lib/dom.js";
import { PAGES } from "./lib/page.js";
import { drawJob } from "./lib/progress.js";
import { PHASE_NAMES } from "./lib/words.js";

/** @typedef {import("./lib/page.js").Opened} Opened */

const byId = (/** @type {string} */ id) => /** @type {HTMLElement} */ (document.getElementById(id));
const [margin, sheet, foot, voice] = ["margin", "sheet", "foot", "voice"].map(byId);
const help = /** @type {HTMLDialogElement} */ (byId("help"));

/** @type {import("./lib/page.js").FilmNow} */
let film;
/** @type {Map<string, import("./lib/page.js").Job>} */
const jobs = new Map();
/** @type {Map<string, HTMLElement>} */
const lines = new Map();
/** @type {Opened} */
let opened = {};
let at = "";

// --- what pages are given ------------------------------------------------------------------------

/** @type {import("./lib/page.js").Desk} */
const desk = {
  get film() {
    return film;
  },
  change(path, body) {
    // One after the other: a key pressed while a change is on its way acts on what that change gives.
    const mine = inLine.then(() => changed(path, body));
    inLine = mine.catch(() => null);
    return mine;
  },
  async begin(kind, path, body) {
    try {
      meet(await post(path, body));
    } catch (problem) {
      told(problem);
    }
  },
  progress(kind) {
    const line = h("div", { class: "job" });
    lines.set(kind, line);
    drawJob(line, jobs.get(kind)?.state === "running" ? jobs.get(kind) : undefined, cancel);
    return line;
  },
  say,
  link(query) {
    const address = new URL(location.href);
    for (const [key, value] of Object.entries(query)) {
      if (value === null) address.searchParams.delete(key);
      else address.searchParams.set(key, String(value));
    }
    history.replaceState(null, "", address);
  },
  singleKeys: () => localStorage.getItem("single-keys") !== "off",
};

/** @type {Promise<any>} */
let inLine = Promise.resolve();

/** @param {string} path @param {object | (() => object | null)} [body] */
async function changed(path, body = {}) {
  try {
    const given = typeof body === "function" ? body() : body;
    if (!given) return null;
    const done = await post(path, { ...given, base: film.revision });
    say(done.sentence);
    await follow(done.revision);
    return done;
  } catch (problem) {
    told(problem);
    if (problem instanceof Refused && problem.kind === "Conflict") await follow(-1);
    return null;
  }
}

/** @param {string} sentence @param {boolean} [wrong] */
function say(sentence, wrong = false) {
  voice.textContent = sentence;
  voice.classList.toggle("wrong", wrong);
  voice.classList.remove("new");
  void voice.offsetWidth; // lets the same animation begin again
  voice.classList.add("new");
}

/** @param {unknown} problem */
function told(problem) {
  if (!(problem instanceof Refused)) throw problem;
  say(problem.message, true);
}

/** @param {string} kind */
async function cancel(kind) {
  await post(`/api/jobs/${kind}/cancel`).catch(told);
}

// --- the film, and what happens to it ------------------------------------------------------------

/** @param {number} revision Bring everything to this revision. */
async function follow(revision) {
  if (film?.revision === revision) return;
  film = await get("/api/film");
  drawMargin();
  drawFoot();
  await opened.changed?.();
}

/** @param {import("./lib/page.js").Job} job */
function meet(job) {
  const before = jobs.get(job.kind);
  if (before?.number === job.number && before.state !== "running" && job.state === "running") return; // the answer to a start, after word of its end
  jobs.set(job.kind, job);
  const line = lines.get(job.kind);
  if (line) drawJob(line, job.state === "running" || before?.state === "running" ? job : undefined, cancel);
  if (before?.state === "running" && job.state !== "running") {
    say(`${job.title}: ${job.sentence}`, job.state === "failed");
    void refreshed();
  }
  opened.job?.(job);
}

async function refreshed() {
  const before = film.revision;
  film = await get("/api/film");
  drawMargin();
  drawFoot();
  if (film.revision !== before) await opened.changed?.(); // the job changed it, and was told of first
}

function listen() {
  const events = new EventSource("/api/events");
  events.addEventListener("film", (event) => follow(JSON.parse(event.data).revision).catch(told));
  events.addEventListener("job", (event) => meet(JSON.parse(event.data)));
  events.addEventListener("error", () => {
    if (events.readyState === EventSource.CLOSED) say("The desk was closed in the terminal. Start it again with partsong desk.", true);
  });
}

// --- the frame -----------------------------------------------------------------------------------

function drawMargin() {
  const entry = (/** @type {string} */ name, /** @type {Node[]} */ inside, decide = false) =>
    h("li", {}, h("a", { href: `/${name}`, "aria-current": name === at && "page", class: decide ? "decide" : "" }, inside));
  margin.replaceChildren(
    h("ol", { class: "phases" },
      entry("", [h("span", { class: "film" }, film.song || film.name)]),
      film.phases.map(({ phase, state, to_decide }, number) =>
        entry(phase, [
          h("span", { class: "mark", "aria-hidden": "true" }, number + 1),
          h("span", { class: "name" }, PHASE_NAMES[phase]),
          h("span", { class: "state" }, state),
        ], to_decide))),
  );
}

function drawFoot() {
  foot.replaceChildren(
    h("p", { class: "changed" }, `Revision ${film.revision}: ${film.changed}`),
    button("Undo", undo, { disabled: !film.can_undo, "aria-keyshortcuts": "U Control+Z", id: "undo" }),
    button("Redo", redo, { disabled: !film.can_redo, "aria-keyshortcuts": "Shift+U Control+Shift+Z", id: "redo" }),
    button("Keys", showKeys, { "aria-keyshortcuts": "?", id: "keys" }),
  );
}

const undo = () => desk.change("/api/film/undo");
const redo = () => desk.change("/api/film/redo");

/** @param {URL} address @param {boolean} [focus] */
async function turnTo(address, focus = false) {
  const name = address.pathname.slice(1);
  if (!(name in PAGES)) return;
  opened.close?.();
  opened = {};
  lines.clear();
  at = name;
  drawMargin();
  const page = (await PAGES[name]()).default;
  document.title = `${page.title} · ${film.song || film.name} · Partsong`;
  sheet.className = `sheet page-${name || "home"}`;
  sheet.replaceChildren(h("h1", {}, page.title));
  try {
    const now = await page.open(sheet, desk, address.searchParams);
    if (at === name) opened = now;
  } catch (problem) {
    if (!(problem instanceof Refused)) throw problem;
    sheet.append(h("p", { class: "decide" }, problem.message));
  }
  sheet.dataset.ready = name || "home"; // what is drawn now is whole; tests and pictures wait for it
  if (focus) {
    sheet.focus({ preventScroll: true });
    scrollTo(0, 0);
  }
}

document.addEventListener("click", (event) => {
  const link = event.target instanceof Element && event.target.closest("a");
  if (!link || link.origin !== location.origin || event.metaKey || event.ctrlKey || link.target) return;
  if (!(link.pathname.slice(1) in PAGES) || link.hash) return;
  event.preventDefault();
  delete sheet.dataset.ready;
  history.pushState(null, "", link.href);
  void turnTo(new URL(link.href), true);
});
addEventListener("popstate", () => void turnTo(new URL(location.href)));

// --- keys ----------------------------------------------------------------------------------------

document.addEventListener("keydown", (event) => {
  const command = event.ctrlKey || event.metaKey;
  const letter = event.key.toLowerCase();
  if (event.target instanceof Element && event.target.closest("input, textarea, select, dialog")) {
    // Fields for numbers take no letters, so that undo works in them too; the rest of their keys is theirs.
    const free = event.target.matches("input[type='number'], input[type='range'], input[type='checkbox']:not(dialog *)");
    if (free && letter === "u" && !command && !event.altKey && desk.singleKeys()) void (event.shiftKey ? redo() : undo());
    return;
  }
  if (command && letter === "z") {
    event.preventDefault();
    void (event.shiftKey ? redo() : undo());
    return;
  }
  if (command || event.altKey) return;
  if (opened.key?.(event)) {
    event.preventDefault();
    return;
  }
  if (!desk.singleKeys()) return;
  if (letter === "u") void (event.shiftKey ? redo() : undo());
  else if (event.key === "?") showKeys();
  else if (/^[0-7]$/.test(event.key)) {
    const links = /** @type {NodeListOf<HTMLAnchorElement>} */ (margin.querySelectorAll("a"));
    links[Number(event.key)].click();
  }
});

function showKeys() {
  const rows = [
    ...(opened.keys ?? []),
    ["0 to 7", "turn to the film, or to a phase"],
    ["U, or Ctrl Z", "undo"],
    ["Shift U, or Ctrl Shift Z", "redo"],
    ["?", "this list"],
  ];
  const single = /** @type {HTMLInputElement} */ (h("input", { type: "checkbox", id: "single", checked: desk.singleKeys() }));
  single.addEventListener("change", () => localStorage.setItem("single-keys", single.checked ? "on" : "off"));
  help.replaceChildren(
    h("h2", { id: "help-title" }, "Keys"),
    h("dl", {}, rows.flatMap(([keys, words]) => [h("dt", {}, keys), h("dd", {}, words)])),
    h("label", { for: "single" }, single, " Single letters and digits act as keys"),
    button("Close", () => help.close()),
  );
  help.showModal();
}

// --- begin ---------------------------------------------------------------------------------------

try {
  film = await get("/api/film");
  drawFoot();
  await turnTo(new URL(location.href));
  listen();
} catch (problem) {
  if (!(problem instanceof Refused)) throw problem;
  sheet.replaceChildren(h("h1", {}, "The film cannot be opened"), h("p", {}, problem.message));
}
