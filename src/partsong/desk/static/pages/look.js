import { plain } from "../lib/plain.js";

export default plain("Look", "look", "Is it one look, with real black and gentle highlights?", [
  ["look set FILM", "sets the colour path from the camera to the display"],
  ["look show FILM", "tells the path in its order, with the measured floor and ceiling of its table"],
  ["look scope FILM", "measures one frame as it is delivered, and draws its scopes"],
]);
