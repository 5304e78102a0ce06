// What a page is. Each page is one module in pages/, whose default export is a Page, and one module of routes in
// partsong/desk/api/, whose ROUTES are named in partsong/desk/app.py. PAGES below names the module of each page.

/**
 * @typedef {object} Desk  What the frame gives to pages.
 * @property {FilmNow} film  The film as the frame knows it; `film.revision` is the base of every change.
 * @property {(path: string, body?: object | (() => object | null)) => Promise<any>} change  POST with `base` added; says what changed, or why not. Changes go one after the other; a function is asked for its body when its turn comes, and null means that there is nothing to do.
 * @property {(kind: string, path: string, body?: object) => Promise<void>} begin  Start a job by POST.
 * @property {(kind: string) => HTMLElement} progress  A line that shows the running job of a kind, with cancel; empty otherwise.
 * @property {(sentence: string, wrong?: boolean) => void} say  Tell the person something.
 * @property {(query: Record<string, string | number | null>) => void} link  Put values into the page's address, so that it can be come back to.
 * @property {() => boolean} singleKeys  Whether single letters act as shortcuts.
 */

/** @typedef {{phase: string, state: string, to_decide: boolean}} PhaseState */
/** @typedef {{name: string, folder: string, revision: number, changed: string, song: string, length_s: number, rate: number | null, phases: PhaseState[], next: {phase: string, sentence: string, command: string}, can_undo: boolean, can_redo: boolean}} FilmNow */
/** @typedef {{kind: string, title: string, number: number, state: string, doing: string, done: number, total: number, left_s: number | null, sentence: string}} Job */

/**
 * @typedef {object} Opened  A page that is open.
 * @property {() => unknown} [changed]  The film is at another revision: read it again.
 * @property {(job: Job) => unknown} [job]  A job moved or ended.
 * @property {(event: KeyboardEvent) => boolean} [key]  A key was pressed outside any field; true when it was used.
 * @property {[string, string][]} [keys]  What the keys of this page do, for the list of keys.
 * @property {() => void} [close]  The page is left.
 */

/**
 * @typedef {object} Page
 * @property {string} title
 * @property {(sheet: HTMLElement, desk: Desk, query: URLSearchParams) => Promise<Opened>} open  Fill the sheet.
 */

/** @type {Record<string, () => Promise<{default: Page}>>} */
export const PAGES = {
  "": () => import("../pages/home.js"),
  prepare: () => import("../pages/prepare.js"),
  shoot: () => import("../pages/shoot.js"),
  lineup: () => import("../pages/lineup.js"),
  stage: () => import("../pages/stage.js"),
  look: () => import("../pages/look.js"),
  cut: () => import("../pages/cut.js"),
  signoff: () => import("../pages/signoff.js"),
};
