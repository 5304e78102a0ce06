import { plain } from "../lib/plain.js";

export default plain("Prepare", "prepare", "What do we shoot, where, in what order, with what light, and will it fit the day and the cards?", [
  ["prepare guide FILM", "makes the guide track with its cues"],
  ["prepare day FILM", "plans the day"],
  ["prepare cards FILM", "says whether the cards will hold it"],
  ["prepare sheet FILM", "writes the shoot sheet to print"],
]);
