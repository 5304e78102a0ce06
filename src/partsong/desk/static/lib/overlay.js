// A camera's picture laid over the reference, in greys: half and half, what differs, and the edges of both. Pure.

/** @typedef {"onion" | "difference" | "edges" | "camera" | "reference"} Overlay */
/** @typedef {{width: number, height: number, luma: Float32Array<ArrayBuffer>}} Grey  Luma of a picture, 0 to 255. */

const MIDDLE = 128;
const LEAST_EDGE = 24; // of 255 between neighbours but one; below it there is noise
const GHOST = 0.35; // how much of the camera's picture is seen beneath the edges

/** Luma as ITU-R BT.709-6 weighs it (item 3.2). @param {ImageData} picture @returns {Grey} */
export function greyOf({ width, height, data }) {
  const luma = new Float32Array(width * height);
  for (let at = 0, from = 0; at < luma.length; at += 1, from += 4) {
    luma[at] = 0.2126 * data[from] + 0.7152 * data[from + 1] + 0.0722 * data[from + 2];
  }
  return { width, height, luma };
}

/** @param {Grey} picture @returns {[number, number]} Its mean and how far its values lie from it (root mean square). */
function spread({ luma }) {
  let sum = 0;
  let squares = 0;
  for (const value of luma) {
    sum += value;
    squares += value * value;
  }
  const mean = sum / luma.length;
  return [mean, Math.sqrt(Math.max(1e-6, squares / luma.length - mean * mean))];
}

/** A picture with the mean and the contrast of another, so that a log picture can be held against a plain one. @param {Grey} picture @param {Grey} like @returns {Grey} */
export function levelled(picture, like) {
  const [[mean, wide], [wanted, wanted_wide]] = [spread(picture), spread(like)];
  const gain = Math.min(4, Math.max(0.25, wanted_wide / wide));
  return { ...picture, luma: picture.luma.map((value) => wanted + (value - mean) * gain) };
}

/** How steep each pixel lies; 0 at the rim. @param {Grey} picture @returns {Float32Array<ArrayBuffer>} */
export function edgesOf({ width, height, luma }) {
  const steep = new Float32Array(width * height);
  for (let y = 1; y < height - 1; y += 1) {
    for (let at = y * width + 1, end = (y + 1) * width - 1; at < end; at += 1) {
      steep[at] = Math.abs(luma[at + 1] - luma[at - 1]) + Math.abs(luma[at + width] - luma[at - width]);
    }
  }
  return steep;
}

/**
 * What is drawn, as greys.
 * @param {Overlay} kind
 * @param {Grey} camera @param {Grey} reference  Both of one size; `reference` may be that of `prepared`.
 * @param {Float32Array} reference_edges
 * @returns {ImageData}
 */
export function drawn(kind, camera, reference, reference_edges) {
  const { width, height } = camera;
  const picture = new ImageData(width, height);
  const pixels = new Uint32Array(picture.data.buffer);
  const put = (/** @type {number} */ at, /** @type {number} */ value) => {
    const grey = value < 0 ? 0 : value > 255 ? 255 : value | 0;
    pixels[at] = 0xff000000 | (grey << 16) | (grey << 8) | grey;
  };
  if (kind === "camera" || kind === "reference") {
    const { luma } = kind === "camera" ? camera : reference;
    for (let at = 0; at < luma.length; at += 1) put(at, luma[at]);
    return picture;
  }
  const live = levelled(camera, reference);
  if (kind === "onion") {
    for (let at = 0; at < pixels.length; at += 1) put(at, (live.luma[at] + reference.luma[at]) / 2);
  } else if (kind === "difference") {
    for (let at = 0; at < pixels.length; at += 1) put(at, MIDDLE + live.luma[at] - reference.luma[at]);
  } else {
    const own = edgesOf(live);
    for (let at = 0; at < pixels.length; at += 1) {
      const ground = MIDDLE + GHOST * (live.luma[at] - MIDDLE);
      const [here, there] = [own[at] > LEAST_EDGE, reference_edges[at] > LEAST_EDGE];
      put(at, here === there ? ground : there ? 255 : 0);
    }
  }
  return picture;
}

/** A picture as a grey PGM file (Netpbm's P5), which says its own size. @param {Grey} picture @returns {Blob} */
export function pgm({ width, height, luma }) {
  const codes = Uint8ClampedArray.from(luma);
  return new Blob([`P5\n${width} ${height}\n255\n`, codes], { type: "image/x-portable-graymap" });
}
