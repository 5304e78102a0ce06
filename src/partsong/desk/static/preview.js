// The preview: one stream holds all takes as tiles; a shader merges them, or shows one of them, as render/ would.
import { bytes } from "./lib/api.js";
import fragment from "./preview.glsl.js";

/** @typedef {{x: number, y: number, rx: number, ry: number, rotation_deg: number}} Oval */
/** @typedef {{take: string, oval: Oval | null, feather_px: number, opacity: number, fills: number, gain: number[], back: number[]}} Layer */
/** @typedef {{take: string, x: number, y: number, width: number, height: number, first: number, stop: number}} Tile */
/** @typedef {{first: number, stop: number, layers: Layer[]}} Run */
/** @typedef {{width: number, height: number, rate_num: number, rate_den: number, frames: number, tiles: Tile[], runs: Run[], cut: {source: string, start: number, end: number}[]}} Plan */

const MOST_LAYERS = 16;
const FRAME_MS = 33;
const MOST_COARSE = 12;
const WIDE = "wide";
const CORNERS = `#version 300 es
out vec2 _vs2fs_location0;
void main() {
  vec2 corner = vec2(gl_VertexID == 1 ? 2.0 : 0.0, gl_VertexID == 2 ? 2.0 : 0.0);
  _vs2fs_location0 = vec2(corner.x, 1.0 - corner.y);
  gl_Position = vec4(corner * 2.0 - 1.0, 0.0, 1.0);
}`;

/** A preview on a canvas. It plays only when it is told to. */
export class Preview {
  /** @param {HTMLCanvasElement} canvas @param {HTMLVideoElement} video */
  constructor(canvas, video) {
    this.canvas = canvas;
    this.video = video;
    /** @type {Plan | null} */
    this.plan = null;
    /** What is shown: "wide", "cut", or a take. */
    this.mode = WIDE;
    this.frame = 0;
    /** Ovals on their way, before the film holds them. @type {Map<string, {oval: Oval, feather_px: number}>} */
    this.moved = new Map();
    /** @type {[number, number] | null} */
    this.loop = null;
    /** @type {(frame: number) => void} */
    this.onframe = () => {};
    this.lattices = new Map();
    this.wanted = -1;
    this.seeking = false;
    this.coarse = 1;
    /** Where the stream lies that is open. @type {string | undefined} */
    this.source = undefined;
    const gl = canvas.getContext("webgl2", { alpha: false, antialias: false, preserveDrawingBuffer: true });
    /** Whether this browser can draw it at all. */
    this.can = gl !== null;
    if (gl) this.gl = prepared(gl);
  }

  /**
   * @param {Plan} plan
   * @param {string} source  Where the stream lies.
   */
  async open(plan, source) {
    this.plan = plan;
    if (!this.gl) return;
    await this.tables();
    if (this.source !== source) {
      this.source = source;
      await loaded(this.video, source);
    }
    await this.show(this.frame);
  }

  /** Fetch the curve and the wide's colour path anew. */
  async tables() {
    if (!this.gl) return;
    const { context: gl, curve } = this.gl;
    for (const texture of this.lattices.values()) gl.deleteTexture(texture);
    this.lattices.clear();
    table(gl, curve, new Float32Array(await bytes("/media/curve")));
    await this.lattice(WIDE);
  }

  /** @param {string} source */
  async lattice(source) {
    if (!this.gl || this.lattices.has(source)) return;
    const points = new Float32Array(await bytes(`/media/looks/${encodeURIComponent(source)}`));
    this.lattices.set(source, cube(this.gl.context, points));
  }

  get rate() {
    return this.plan ? this.plan.rate_num / this.plan.rate_den : 25;
  }

  /** Show a frame exactly: its middle is asked for, and what the decoder gives is waited for. @param {number} frame */
  async show(frame) {
    if (!this.plan || !this.gl) return;
    this.wanted = Math.max(0, Math.min(this.plan.frames - 1, Math.round(frame)));
    if (this.seeking) return;
    this.seeking = true;
    try {
      let at;
      do {
        at = this.wanted;
        await presented(this.video, (at + 0.5) / this.rate);
      } while (at !== this.wanted);
      await this.taken(at);
    } finally {
      this.seeking = false;
    }
  }

  /** Take the decoder's picture as that of a frame. @param {number} frame */
  async taken(frame) {
    if (!this.gl) return;
    this.frame = frame;
    const { context: gl, atlas } = this.gl;
    gl.activeTexture(gl.TEXTURE2);
    gl.bindTexture(gl.TEXTURE_2D, atlas);
    gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGBA8, gl.RGBA, gl.UNSIGNED_BYTE, this.video);
    await this.lattice(this.seen());
    this.draw();
    this.onframe(frame);
  }

  /** The source that is seen at this frame. */
  seen() {
    if (this.mode !== "cut") return this.mode;
    return this.plan?.cut.find((shot) => shot.start <= this.frame && this.frame < shot.end)?.source ?? WIDE;
  }

  /** The layers that are drawn now, from the bottom up. @returns {Layer[]} */
  layers() {
    const source = this.seen();
    if (source !== WIDE) return [{ take: source, oval: null, feather_px: 0, opacity: 1, fills: 0, gain: [1, 1, 1], back: [1, 0, 0, 0] }];
    const run = this.plan?.runs.find((one) => one.first <= this.frame && this.frame < one.stop);
    return (run?.layers ?? []).map((layer) => {
      const moved = layer.oval ? this.moved.get(layer.take) : undefined;
      return moved ? { ...layer, ...moved } : layer;
    });
  }

  /**
   * Draw what was taken last. While a hand moves, as coarsely as this machine needs to keep up with it.
   * @param {boolean} [moving]
   */
  draw(moving = false) {
    const lattice = this.lattices.get(this.seen());
    if (!this.gl || !this.plan || !lattice) return;
    const { context: gl, block } = this.gl;
    const page = new ArrayBuffer(32 + MOST_LAYERS * 80);
    const layers = this.layers();
    new Float32Array(page, 0, 4).set([this.plan.width, this.plan.height, 0, 0]);
    new Int32Array(page, 16, 4).set([layers.length, 0, 0, 0]);
    layers.forEach((layer, number) => {
      const tile = this.plan?.tiles.find((one) => one.take === layer.take);
      const { x, y, rx, ry, rotation_deg } = layer.oval ?? { x: 0, y: 0, rx: 1, ry: 1, rotation_deg: 0 };
      new Float32Array(page, 32 + number * 80, 20).set([
        ...(tile ? [tile.x, tile.y, tile.width, tile.height] : [0, 0, 4, 4]),
        x, y, rx, ry,
        (rotation_deg * Math.PI) / 180, layer.feather_px, layer.opacity, layer.fills,
        ...layer.gain, layer.oval ? 1 : 0,
        ...layer.back,
      ]);
    });
    gl.bindBuffer(gl.UNIFORM_BUFFER, block);
    gl.bufferSubData(gl.UNIFORM_BUFFER, 0, page);
    gl.activeTexture(gl.TEXTURE1);
    gl.bindTexture(gl.TEXTURE_3D, lattice);
    const coarse = moving ? this.coarse : 1;
    const [wide, high] = [this.plan.width, this.plan.height].map((side) => Math.max(1, Math.round(side / coarse)));
    if (this.canvas.width !== wide || this.canvas.height !== high) [this.canvas.width, this.canvas.height] = [wide, high];
    const begun = performance.now();
    gl.viewport(0, 0, this.canvas.width, this.canvas.height);
    gl.drawArrays(gl.TRIANGLES, 0, 3);
    if (!moving) return;
    gl.readPixels(0, 0, 1, 1, gl.RGBA, gl.UNSIGNED_BYTE, new Uint8Array(4)); // waits until it is drawn
    const by = Math.sqrt((performance.now() - begun) / FRAME_MS); // time goes with the area
    this.coarse = Math.max(1, Math.min(MOST_COARSE, this.coarse * Math.max(0.8, Math.min(1.6, by))));
  }

  async play() {
    if (!this.gl) return;
    const step = (/** @type {number} */ _now, /** @type {VideoFrameCallbackMetadata} */ about) => {
      if (this.video.paused) return;
      const frame = Math.floor(about.mediaTime * this.rate + 0.5);
      if (this.loop && (frame >= this.loop[1] || frame < this.loop[0])) this.video.currentTime = (this.loop[0] + 0.5) / this.rate;
      else void this.taken(frame);
      this.video.requestVideoFrameCallback(step);
    };
    this.video.requestVideoFrameCallback(step);
    await this.video.play();
  }

  async pause() {
    this.video.pause();
    await this.show(this.frame);
  }

  close() {
    this.video.pause();
    this.video.removeAttribute("src");
    this.video.load();
    this.gl?.context.getExtension("WEBGL_lose_context")?.loseContext();
  }
}

// --- the stream ----------------------------------------------------------------------------------

/** @param {HTMLVideoElement} video @param {string} source */
function loaded(video, source) {
  return new Promise((done, failed) => {
    video.addEventListener("loadeddata", () => done(undefined), { once: true });
    video.addEventListener("error", () => failed(new Error("This browser cannot play the preview's H.264 film.")), { once: true });
    video.src = source;
    video.load();
  });
}

/** Go to a time and wait until its picture is there. @param {HTMLVideoElement} video @param {number} time_s */
function presented(video, time_s) {
  return new Promise((done) => {
    const here = Math.abs(video.currentTime - time_s) < 1e-4;
    if (here && video.readyState >= 2) {
      done(undefined);
      return;
    }
    video.requestVideoFrameCallback(() => done(undefined));
    // Where the picture stays the same one, no new one is presented.
    video.addEventListener("seeked", () => setTimeout(() => done(undefined), 300), { once: true });
    video.currentTime = time_s;
  });
}

// --- the graphics processor ----------------------------------------------------------------------

/** @param {WebGL2RenderingContext} gl */
function prepared(gl) {
  const program = gl.createProgram();
  for (const [kind, text] of /** @type {[number, string][]} */ ([[gl.VERTEX_SHADER, CORNERS], [gl.FRAGMENT_SHADER, fragment]])) {
    const shader = /** @type {WebGLShader} */ (gl.createShader(kind));
    gl.shaderSource(shader, text);
    gl.compileShader(shader);
    if (!gl.getShaderParameter(shader, gl.COMPILE_STATUS)) throw new Error(String(gl.getShaderInfoLog(shader)));
    gl.attachShader(program, shader);
  }
  gl.linkProgram(program);
  if (!gl.getProgramParameter(program, gl.LINK_STATUS)) throw new Error(String(gl.getProgramInfoLog(program)));
  gl.useProgram(program);
  ["_group_0_binding_0_fs", "_group_0_binding_1_fs", "_group_1_binding_0_fs"].forEach((name, unit) =>
    gl.uniform1i(gl.getUniformLocation(program, name), unit));
  const block = gl.createBuffer();
  gl.bindBuffer(gl.UNIFORM_BUFFER, block);
  gl.bufferData(gl.UNIFORM_BUFFER, 32 + MOST_LAYERS * 80, gl.DYNAMIC_DRAW);
  gl.bindBufferBase(gl.UNIFORM_BUFFER, 0, block);
  gl.uniformBlockBinding(program, gl.getUniformBlockIndex(program, "Page_block_0Fragment"), 0);
  gl.bindVertexArray(gl.createVertexArray());
  gl.pixelStorei(gl.UNPACK_ALIGNMENT, 1);
  const atlas = gl.createTexture();
  gl.activeTexture(gl.TEXTURE2);
  gl.bindTexture(gl.TEXTURE_2D, atlas);
  plainly(gl, gl.TEXTURE_2D);
  return { context: gl, block, atlas, curve: gl.createTexture() };
}

/** @param {WebGL2RenderingContext} gl @param {number} kind */
function plainly(gl, kind) {
  for (const side of [gl.TEXTURE_WRAP_S, gl.TEXTURE_WRAP_T, gl.TEXTURE_WRAP_R]) gl.texParameteri(kind, side, gl.CLAMP_TO_EDGE);
  gl.texParameteri(kind, gl.TEXTURE_MIN_FILTER, gl.NEAREST);
  gl.texParameteri(kind, gl.TEXTURE_MAG_FILTER, gl.NEAREST);
}

/** @param {WebGL2RenderingContext} gl @param {WebGLTexture | null} texture @param {Float32Array} values */
function table(gl, texture, values) {
  gl.activeTexture(gl.TEXTURE0);
  gl.bindTexture(gl.TEXTURE_2D, texture);
  plainly(gl, gl.TEXTURE_2D);
  gl.texImage2D(gl.TEXTURE_2D, 0, gl.R32F, values.length, 1, 0, gl.RED, gl.FLOAT, values);
}

/** @param {WebGL2RenderingContext} gl @param {Float32Array} points */
function cube(gl, points) {
  const side = Math.round(Math.cbrt(points.length / 3));
  const texture = gl.createTexture();
  gl.activeTexture(gl.TEXTURE1);
  gl.bindTexture(gl.TEXTURE_3D, texture);
  plainly(gl, gl.TEXTURE_3D);
  gl.texImage3D(gl.TEXTURE_3D, 0, gl.RGB32F, side, side, side, 0, gl.RGB, gl.FLOAT, points);
  return texture;
}
