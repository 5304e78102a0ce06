import { plain } from "../lib/plain.js";

export default plain("Stage", "stage", "Does it look like one room and one moment?", [
  ["stage propose FILM", "registers and matches the takes and proposes soft ovals"],
  ["stage mask FILM TAKE", "moves, turns or softens one oval"],
  ["stage report FILM", "measures what shows at every seam, and writes a page"],
  ["stage merge FILM", "merges the takes into the wide"],
]);
