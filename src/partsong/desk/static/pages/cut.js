import { plain } from "../lib/plain.js";

export default plain("Shoot", "shoot", "May I strike this set-up? Is the card safely copied?", []);
