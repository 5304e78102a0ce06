import { plain } from "../lib/plain.js";

export default plain("Stage", "stage", "Does it look like one room and one moment?", [
  ["stage propose FILM", "registers and matches the takes and proposes soft ovals"],
  ["stage mask FILM TAKE", "moves, turns or softens one oval"],
  ["stage seams FILM", "measures where a seam would show, and by how much"],
  ["stage merge FILM", "merges the takes into the wide"],
]);
