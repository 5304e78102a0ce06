// The preview: one stream holds all takes as tiles; a shader merges them, or shows one of them, as render/ would.
import { bytes } from "./lib/api.js";
import { fieldFor, gridOf, reach, setsOf, stripsOf, touched } from "./lib/cells.js";
import * as fragments from "./preview.glsl.js";

/** @typedef {{x: number, y: number, rx: number, ry: number, rotation_deg: number}} Oval */
/** @typedef {import("./lib/ovals.js").Point} Point */
/** @typedef {{take: string, patch: number, oval: Oval | null, curve: Point[] | null, feather_px: number, opacity: number, fills: number, gain: number[], back: number[]}} Layer */
/** @typedef {{take: string, x: number, y: number, width: number, height: number, first: number, stop: number}} Tile */
/** @typedef {{first: number, stop: number, layers: number[]}} Run  `layers` are numbers of the plan's. */
/** @typedef {{width: number, height: number, rate_num: number, rate_den: number, frames: number, tiles: Tile[], drawn: Layer[], runs: Run[], cut: {source: string, start: number, end: number, panels: Panel[]}[]}} Plan */
/** @typedef {{source: string, left: number, top: number, width: number, height: number, x: number, y: number}} Panel  Where it lies in the frame, and the point of its picture that it shows, all as shares. */

const MOST_LAYERS = 16;
const LAYER = 96; // bytes of the shader's Seen
const BLOCK = 32 + MOST_LAYERS * LAYER; // and of its Page
const LEAST = 2 ** -12; // light at which the shader's table of starts begins; it has 256 entries for each doubling
const WIDE = "wide";
const FRAME_MS = 40; // a picture that takes longer makes the next ones coarser, while a hand moves
const QUICK_MS = 20;
const MOST_OF_TILE = 2; // pixels drawn for one of the largest tile, across: more would only be made up
const COARSE = [1, 1.5, 2, 3, 4, 6, 8, 12]; // how many pixels of the canvas, across, share one that is drawn
const UNTIL_SHOWN_MS = 300; // after a picture was sought, where none is told to be presented
const SETTLED_MS = 250; // after the last move, until what was drawn coarsely is drawn anew
const AS_FILMED = [1, 1, 1];
const CORNERS = `#version 300 es
layout(location = 0) in vec2 corner;
out vec2 _vs2fs_location0;
void main() {
  _vs2fs_location0 = corner;
  gl_Position = vec4(corner.x * 2.0 - 1.0, 1.0 - corner.y * 2.0, 0.0, 1.0);
}`;
const ENLARGED = `#version 300 es
precision highp float;
uniform sampler2D _group_1_binding_0_fs;
uniform vec2 share;
in vec2 _vs2fs_location0;
out vec4 colour;
void main() {
  colour = vec4(texture(_group_1_binding_0_fs, vec2(_vs2fs_location0.x, 1.0 - _vs2fs_location0.y) * share).xyz, 1.0);
}`;

/** @typedef {{layers: Layer[], reaches: Uint8Array[], sets: Uint16Array, rough: Uint8Array}} Drawn  `rough` marks cells that were drawn coarsely. */

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
    /** Masks on their way, before the film holds them. @type {Map<string, {oval: Oval | null, curve: Point[] | null, feather_px: number}>} */
    this.moved = new Map();
    /** @type {[number, number] | null} */
    this.loop = null;
    /** @type {(frame: number) => void} */
    this.onframe = () => {};
    this.lattices = new Map();
    this.wanted = -1;
    this.seeking = false;
    /** What is taken off light before the shader looks for it on the curve. */
    this.dark = 0;
    /** Which curves' distances the shader has, by what `named` calls its layer. @type {Map<string, {slice: number, field: import("./lib/distances.js").Field}>} */
    this.fields = new Map();
    /** What the canvas shows; null when it must be drawn anew. @type {Drawn | null} */
    this.drawn = null;
    /** Tells when what was drawn last is there. @type {WebGLSync | null} */
    this.fence = null;
    this.begun = 0;
    this.late = false; // a hand moved on while a picture was being drawn
    this.watching = 0;
    this.settling = 0;
    this.coarse = 0; // of COARSE
    this.enlarged = -1; // what of COARSE the small picture holds
    /** Where the stream lies that is open. @type {string | undefined} */
    this.source = undefined;
    const gl = canvas.getContext("webgl2", { alpha: false, antialias: false, preserveDrawingBuffer: true });
    /** Whether this browser can draw it at all. */
    this.can = gl !== null;
    if (gl) this.gl = prepared(gl);
    this.sized = new ResizeObserver(() => this.settle());
    this.sized.observe(canvas);
  }

  /**
   * @param {Plan} plan
   * @param {string} source  Where the stream lies.
   */
  async open(plan, source) {
    this.plan = plan;
    if (!this.gl) return;
    this.fields.clear(); // the film may have another size by now
    const another = this.source !== source;
    this.source = source;
    // All of it is on its way at once: the stream, the curve, and the colour path of what is seen.
    await Promise.all([another && loaded(this.video, source, (this.frame + 0.5) / this.rate), this.tables()]);
    await this.show(this.seeking ? this.wanted : this.frame); // where a hand went meanwhile
  }

  /** Fetch the curve and the colour path of what is seen anew. */
  async tables() {
    if (!this.gl) return;
    const { context: gl } = this.gl;
    for (const texture of this.lattices.values()) gl.deleteTexture(texture);
    this.lattices.clear();
    const fetched = async () => {
      this.dark = curve(/** @type {ReturnType<typeof prepared>} */ (this.gl), new Float32Array(await bytes("/media/curve")));
    };
    await Promise.all([this.hasWide && fetched(), this.lattice(this.seen())]);
    this.drawn = null;
  }

  /** @param {string} source */
  async lattice(source) {
    if (!this.gl || this.lattices.has(source)) return;
    const points = new Uint32Array(await bytes(`/media/looks/${encodeURIComponent(source)}`));
    if (!this.lattices.has(source)) this.lattices.set(source, cube(this.gl.context, points));
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

  /** Take the decoder's picture as that of a frame. @param {number} frame @param {boolean} [moving] */
  async taken(frame, moving = false) {
    if (!this.gl) return;
    this.frame = frame;
    const { context: gl, atlas } = this.gl;
    gl.activeTexture(gl.TEXTURE2);
    gl.bindTexture(gl.TEXTURE_2D, atlas);
    gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGBA8, gl.RGBA, gl.UNSIGNED_BYTE, this.video);
    await Promise.all([this.seen(), ...this.panels().map((panel) => panel.source)].map((source) => this.lattice(source)));
    this.drawn = null;
    this.draw(moving);
    this.onframe(frame);
  }

  /** The shot of the cut at this frame, while that is what is shown. */
  shot() {
    return this.mode === "cut" ? this.plan?.cut.find((shot) => shot.start <= this.frame && this.frame < shot.end) : undefined;
  }

  /** Whether takes are merged into a wide; without a locked-off camera none are. */
  get hasWide() {
    return Boolean(this.plan?.runs.length);
  }

  /** The source that is seen at this frame; of a shot with panels, that of the first. */
  seen() {
    const between = this.hasWide ? WIDE : (this.plan?.tiles[0].take ?? WIDE);
    return this.mode === "cut" ? (this.shot()?.source ?? between) : this.mode;
  }

  /** The panels that are seen at this frame. @returns {Panel[]} */
  panels() {
    return this.shot()?.panels ?? [];
  }

  /** The layers that are drawn of a source, from the bottom up. @returns {Layer[]} */
  layers(source = this.seen()) {
    if (source !== WIDE) return [{ take: source, patch: 0, oval: null, curve: null, feather_px: 0, opacity: 1, fills: 0, gain: [1, 1, 1], back: [1, 0, 0, 0] }];
    const run = this.plan?.runs.find((one) => one.first <= this.frame && this.frame < one.stop);
    return (run?.layers ?? []).map((number) => {
      const layer = /** @type {Plan} */ (this.plan).drawn[number];
      const moved = (layer.oval || layer.curve) && !layer.patch ? this.moved.get(layer.take) : undefined;
      return moved ? { ...layer, ...moved } : layer;
    });
  }

  /**
   * Draw what was taken last: only those cells that look otherwise than what is there.
   * @param {boolean} [moving]  A hand moves: when the last picture is still being drawn, this one is drawn after it.
   */
  draw(moving = false) {
    const lattice = this.lattices.get(this.seen());
    if (!this.gl || !this.plan || !lattice) return;
    if (moving && this.fence) {
      this.late = true;
      return;
    }
    const { width, height } = this.plan;
    this.fitted();
    const grid = gridOf(width, height);
    if (this.panels().length) {
      this.drawPanels(grid);
      return;
    }
    const layers = this.layers();
    const before = this.drawn?.layers.length === layers.length ? this.drawn : null;
    const same = (/** @type {Layer} */ one, /** @type {Layer} */ other) => JSON.stringify(one) === JSON.stringify(other);
    const changed = layers.flatMap((layer, number) => (before && same(before.layers[number], layer) ? [] : [number]));
    const reaches = layers.map((layer, number) => (before && !changed.includes(number) ? before.reaches[number] : reach(layer, grid, width, height)));
    const sets = setsOf(reaches, grid);
    const wanted = before && !moving ? before.rough.slice() : new Uint8Array(sets.length).fill(before ? 0 : 1);
    if (before) {
      for (const number of changed) touched({ sets: before.sets, reach: before.reaches[number] }, { sets, reach: reaches[number] }, number, wanted);
    }
    const coarse = moving ? this.coarse : 0;
    const rough = coarse ? wanted.map((now, cell) => now | (before?.rough[cell] ?? 0)) : new Uint8Array(sets.length);
    this.drawn = { layers, reaches, sets, rough };
    this.strips(layers, stripsOf(sets, wanted, grid), grid, lattice, coarse);
    clearTimeout(this.settling);
    if (moving) this.settle();
  }

  /** Draw each panel's source, so large that the window it shows fills the panel. @param {import("./lib/cells.js").Grid} grid */
  drawPanels(grid) {
    if (!this.gl || !this.plan) return;
    const { context: gl } = this.gl;
    const { plan, canvas } = this;
    gl.clearColor(0, 0, 0, 1);
    gl.clear(gl.COLOR_BUFFER_BIT);
    gl.enable(gl.SCISSOR_TEST);
    for (const panel of this.panels()) {
      const lattice = this.lattices.get(panel.source);
      if (!lattice) continue;
      const layers = this.layers(panel.source);
      const sets = setsOf(layers.map((layer) => reach(layer, grid, plan.width, plan.height)), grid);
      // The window has the panel's shape; it is as large as the picture lets it be, and lies wholly in it.
      const [across, down] = [Math.min(1, panel.width / panel.height), Math.min(1, panel.height / panel.width)];
      const begin = (/** @type {number} */ middle, /** @type {number} */ part) => Math.max(0, Math.min(middle - part / 2, 1 - part));
      const [wide, high] = [Math.round(panel.width * canvas.width), Math.round(panel.height * canvas.height)];
      const [left, bottom] = [Math.round(panel.left * canvas.width), canvas.height - Math.round((panel.top + panel.height) * canvas.height)];
      const [whole, tall] = [wide / across, high / down];
      gl.scissor(left, bottom, wide, high);
      this.strips(layers, stripsOf(sets, new Uint8Array(sets.length).fill(1), grid), grid, lattice, 0,
        [Math.round(left - begin(panel.x, across) * whole), Math.round(bottom - (1 - begin(panel.y, down) - down) * tall), Math.round(whole), Math.round(tall)]);
    }
    gl.disable(gl.SCISSOR_TEST);
    this.drawn = null;
  }

  /** Draw finely when nothing has moved for a while. */
  settle() {
    clearTimeout(this.settling);
    this.settling = setTimeout(() => this.video.paused && this.draw(), SETTLED_MS);
  }

  /** The canvas has as many pixels as are seen of it, but no more than the film has, or the tiles are worth. */
  fitted() {
    if (!this.plan) return;
    const { width, height } = this.plan;
    const seen = this.canvas.clientWidth * devicePixelRatio || width;
    const worth = MOST_OF_TILE * Math.max(...this.plan.tiles.map((tile) => tile.width));
    const wide = Math.round(Math.min(width, seen, worth));
    const high = Math.max(1, Math.round((wide * height) / width));
    if (this.canvas.width === wide && this.canvas.height === high) return;
    [this.canvas.width, this.canvas.height] = [wide, high];
    this.drawn = null;
    this.enlarged = -1;
  }

  /** Wait for what was drawn last, without keeping anything else from going on; then draw what a hand did meanwhile. */
  watch() {
    this.watching ||= requestAnimationFrame(() => {
      this.watching = 0;
      if (!this.gl || !this.fence) return;
      const gl = this.gl.context;
      if (gl.getSyncParameter(this.fence, gl.SYNC_STATUS) !== gl.SIGNALED) {
        this.watch();
        return;
      }
      gl.deleteSync(this.fence);
      this.fence = null;
      const took = performance.now() - this.begun;
      if (took > FRAME_MS) this.coarse = Math.min(COARSE.length - 1, this.coarse + (took > 3 * FRAME_MS ? 2 : 1));
      else if (took < QUICK_MS) this.coarse = Math.max(0, this.coarse - 1);
      if (!this.late) return;
      this.late = false;
      this.draw(true);
    });
  }

  /**
   * @param {Layer[]} layers @param {Map<number, number[]>} strips @param {import("./lib/cells.js").Grid} grid @param {WebGLTexture} lattice
   * @param {number} coarse  Of COARSE; above 0 it is drawn small first, and then made larger.
   * @param {[number, number, number, number]} [onto]  Where on the canvas the frame lies; all of it unless given.
   */
  strips(layers, strips, grid, lattice, coarse, onto) {
    if (!this.gl || !strips.size) return;
    this.curves(layers);
    const { context: gl, programs, block, corners, step } = this.gl;
    const blocks = new ArrayBuffer(step * strips.size);
    /** @type {number[]} */
    const points = [];
    /** @type {{program: WebGLProgram, first: number, count: number}[]} */
    const calls = [];
    for (const [set, cells] of strips) {
      const mine = layers.filter((_, number) => (set >> number) & 1);
      this.block(blocks, calls.length * step, mine);
      const alone = mine.length === 1 && AS_FILMED.every((one, channel) => mine[0].gain[channel] === one);
      const first = points.length / 2;
      for (let at = 0; at < cells.length; at += 3) {
        const [left, right] = [cells[at] / grid.across, (cells[at] + cells[at + 2]) / grid.across];
        const [top, bottom] = [cells[at + 1] / grid.down, (cells[at + 1] + 1) / grid.down];
        points.push(left, top, right, top, left, bottom, left, bottom, right, top, right, bottom);
      }
      const merged = mine.some((layer) => layer.curve) ? programs.merged_curves : programs.merged;
      calls.push({ program: alone ? programs.alone : merged, first, count: points.length / 2 - first });
    }
    gl.bindBuffer(gl.UNIFORM_BUFFER, block);
    gl.bufferData(gl.UNIFORM_BUFFER, blocks, gl.STREAM_DRAW);
    gl.bindBuffer(gl.ARRAY_BUFFER, corners);
    gl.bufferData(gl.ARRAY_BUFFER, new Float32Array(points), gl.STREAM_DRAW);
    gl.activeTexture(gl.TEXTURE1);
    gl.bindTexture(gl.TEXTURE_3D, lattice);
    const { width, height } = this.canvas;
    const [wide, high] = [width, height].map((side) => Math.max(1, Math.round(side / COARSE[coarse])));
    if (coarse) this.small(wide, high, coarse);
    else this.enlarged = -1;
    gl.viewport(...(onto ?? [0, 0, wide, high]));
    calls.forEach(({ program, first, count }, number) => {
      gl.useProgram(program);
      gl.bindBufferRange(gl.UNIFORM_BUFFER, 0, block, number * step, BLOCK);
      gl.drawArrays(gl.TRIANGLES, first, count);
    });
    if (coarse) {
      const { enlarged, small, atlas } = this.gl;
      gl.bindFramebuffer(gl.FRAMEBUFFER, null);
      gl.viewport(0, 0, width, height);
      gl.useProgram(enlarged.program);
      gl.uniform2f(enlarged.share, wide / width, high / height);
      gl.activeTexture(gl.TEXTURE2);
      gl.bindTexture(gl.TEXTURE_2D, small);
      gl.drawArrays(gl.TRIANGLES, 0, points.length / 2);
      gl.bindTexture(gl.TEXTURE_2D, atlas);
    }
    if (this.fence) gl.deleteSync(this.fence);
    this.fence = gl.fenceSync(gl.SYNC_GPU_COMMANDS_COMPLETE, 0);
    this.begun = performance.now();
    gl.flush();
    this.watch();
  }

  /** Draw on the small picture from now on; at first it holds what the canvas holds. @param {number} wide @param {number} high @param {number} coarse */
  small(wide, high, coarse) {
    if (!this.gl) return;
    const { context: gl, small, smaller } = this.gl;
    const { width, height } = this.canvas;
    gl.bindFramebuffer(gl.DRAW_FRAMEBUFFER, smaller);
    if (this.enlarged !== coarse) {
      gl.activeTexture(gl.TEXTURE4);
      gl.bindTexture(gl.TEXTURE_2D, small);
      gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGBA8, width, height, 0, gl.RGBA, gl.UNSIGNED_BYTE, null);
      gl.bindFramebuffer(gl.READ_FRAMEBUFFER, null);
      gl.blitFramebuffer(0, 0, width, height, 0, 0, wide, high, gl.COLOR_BUFFER_BIT, gl.LINEAR);
      this.enlarged = coarse;
    }
    gl.bindFramebuffer(gl.FRAMEBUFFER, smaller);
  }

  /** Put the distances from the layers' curves where the shader reads them. @param {Layer[]} layers */
  curves(layers) {
    if (!this.gl || !this.plan) return;
    const { context: gl, fields } = this.gl;
    const { width, height } = this.plan;
    for (const layer of layers) {
      const { curve } = layer;
      if (!curve) continue;
      const field = fieldFor(curve, width, height);
      const before = this.fields.get(named(layer));
      if (before?.field === field) continue;
      gl.activeTexture(gl.TEXTURE5);
      gl.bindTexture(gl.TEXTURE_2D_ARRAY, fields);
      if (!this.fields.size) gl.texImage3D(gl.TEXTURE_2D_ARRAY, 0, gl.R16F, field.across, field.down, MOST_LAYERS, 0, gl.RED, gl.FLOAT, null);
      const slice = before?.slice ?? this.fields.size;
      this.fields.set(named(layer), { slice, field });
      gl.texSubImage3D(gl.TEXTURE_2D_ARRAY, 0, 0, 0, slice, field.across, field.down, 1, gl.RED, gl.FLOAT, field.values);
    }
  }

  /** Put layers, from the bottom up, where the shader reads them. @param {ArrayBuffer} into @param {number} at @param {Layer[]} layers */
  block(into, at, layers) {
    if (!this.plan) return;
    new Float32Array(into, at, 4).set([this.plan.width, this.plan.height, this.dark, 0]);
    new Int32Array(into, at + 16, 4).set([layers.length, 0, 0, 0]);
    layers.forEach((layer, number) => {
      const tile = this.plan?.tiles.find((one) => one.take === layer.take);
      const { x, y, rx, ry, rotation_deg } = layer.oval ?? { x: 0, y: 0, rx: 1, ry: 1, rotation_deg: 0 };
      const turn = (rotation_deg * Math.PI) / 180;
      new Float32Array(into, at + 32 + number * LAYER, LAYER / 4).set([
        ...(tile ? [tile.x, tile.y, tile.width, tile.height] : [0, 0, 4, 4]),
        x, y, rx, ry,
        Math.cos(turn), Math.sin(turn), layer.feather_px, layer.oval ? 1 : layer.curve ? 2 : 0,
        ...layer.gain, 0,
        layer.opacity, layer.fills, this.fields.get(named(layer))?.slice ?? 0, 0,
        ...layer.back,
      ]);
    });
  }

  async play() {
    if (!this.gl) return;
    const step = (/** @type {number} */ _now, /** @type {VideoFrameCallbackMetadata} */ about) => {
      if (this.video.paused) return;
      const frame = Math.floor(about.mediaTime * this.rate + 0.5);
      if (this.loop && (frame >= this.loop[1] || frame < this.loop[0])) this.video.currentTime = (this.loop[0] + 0.5) / this.rate;
      else if (!this.fence) void this.taken(frame, true); // one that is late is passed over
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
    this.sized.disconnect();
    cancelAnimationFrame(this.watching);
    clearTimeout(this.settling);
    this.video.pause();
    this.video.removeAttribute("src");
    this.video.load();
    this.gl?.context.getExtension("WEBGL_lose_context")?.loseContext();
  }
}

/** @param {Layer} layer */
const named = ({ take, patch }) => `${take} ${patch}`;

// --- the stream ----------------------------------------------------------------------------------

/** @param {HTMLVideoElement} video @param {string} source @param {number} time_s  Where it is to begin. */
function loaded(video, source, time_s) {
  return new Promise((done, failed) => {
    // Data may be there before any picture of it can be drawn.
    video.requestVideoFrameCallback(() => done(undefined));
    video.addEventListener("loadeddata", () => setTimeout(() => done(undefined), UNTIL_SHOWN_MS), { once: true });
    video.addEventListener("error", () => failed(new Error("This browser cannot play the preview's H.264 film.")), { once: true });
    video.addEventListener("loadedmetadata", () => { video.currentTime = time_s; }, { once: true });
    video.src = source;
    video.load();
  });
}

/** Go to a time and wait until its picture is there. @param {HTMLVideoElement} video @param {number} time_s */
function presented(video, time_s) {
  return new Promise((done) => {
    const here = Math.abs(video.currentTime - time_s) < 1e-4 && !video.seeking;
    if (here && video.readyState >= 2) {
      done(undefined);
      return;
    }
    video.requestVideoFrameCallback(() => done(undefined));
    // Where the picture stays the same one, no new one is presented.
    video.addEventListener("seeked", () => setTimeout(() => done(undefined), UNTIL_SHOWN_MS), { once: true });
    video.currentTime = time_s;
  });
}

// --- the graphics processor ----------------------------------------------------------------------

/** @param {WebGL2RenderingContext} gl */
function prepared(gl) {
  const programs = { alone: program(gl, fragments.alone), merged: program(gl, fragments.merged), merged_curves: program(gl, fragments.merged_curves) };
  const block = gl.createBuffer();
  const corners = gl.createBuffer();
  gl.bindVertexArray(gl.createVertexArray());
  gl.bindBuffer(gl.ARRAY_BUFFER, corners);
  gl.enableVertexAttribArray(0);
  gl.vertexAttribPointer(0, 2, gl.FLOAT, false, 0, 0);
  gl.pixelStorei(gl.UNPACK_ALIGNMENT, 1);
  const atlas = gl.createTexture();
  gl.activeTexture(gl.TEXTURE2);
  gl.bindTexture(gl.TEXTURE_2D, atlas);
  plainly(gl, gl.TEXTURE_2D, gl.LINEAR);
  const fields = gl.createTexture();
  gl.activeTexture(gl.TEXTURE5);
  gl.bindTexture(gl.TEXTURE_2D_ARRAY, fields);
  plainly(gl, gl.TEXTURE_2D_ARRAY, gl.LINEAR);
  const small = gl.createTexture();
  gl.activeTexture(gl.TEXTURE4);
  gl.bindTexture(gl.TEXTURE_2D, small);
  plainly(gl, gl.TEXTURE_2D, gl.LINEAR);
  const smaller = gl.createFramebuffer();
  gl.bindFramebuffer(gl.FRAMEBUFFER, smaller);
  gl.framebufferTexture2D(gl.FRAMEBUFFER, gl.COLOR_ATTACHMENT0, gl.TEXTURE_2D, small, 0);
  gl.bindFramebuffer(gl.FRAMEBUFFER, null);
  const enlarging = program(gl, ENLARGED);
  const enlarged = { program: enlarging, share: gl.getUniformLocation(enlarging, "share") };
  const apart = gl.getParameter(gl.UNIFORM_BUFFER_OFFSET_ALIGNMENT);
  return { context: gl, programs, enlarged, small, smaller, fields, block, corners, step: Math.ceil(BLOCK / apart) * apart, atlas, rises: gl.createTexture(), starts: gl.createTexture() };
}

/** @param {WebGL2RenderingContext} gl @param {string} fragment */
function program(gl, fragment) {
  const made = gl.createProgram();
  for (const [kind, text] of /** @type {[number, string][]} */ ([[gl.VERTEX_SHADER, CORNERS], [gl.FRAGMENT_SHADER, fragment]])) {
    const shader = /** @type {WebGLShader} */ (gl.createShader(kind));
    gl.shaderSource(shader, text);
    gl.compileShader(shader);
    if (!gl.getShaderParameter(shader, gl.COMPILE_STATUS)) throw new Error(String(gl.getShaderInfoLog(shader)));
    gl.attachShader(made, shader);
  }
  gl.linkProgram(made);
  if (!gl.getProgramParameter(made, gl.LINK_STATUS)) throw new Error(String(gl.getProgramInfoLog(made)));
  gl.useProgram(made);
  ["_group_1_binding_2_fs", "_group_0_binding_1_fs", "_group_1_binding_0_fs", "_group_1_binding_3_fs"].forEach((name, unit) =>
    gl.uniform1i(gl.getUniformLocation(made, name), unit));
  gl.uniform1i(gl.getUniformLocation(made, "_group_1_binding_5_fs"), 5); // where a program does not use one, nothing happens
  const page = gl.getUniformBlockIndex(made, "Page_block_0Fragment");
  if (page !== gl.INVALID_INDEX) gl.uniformBlockBinding(made, page, 0);
  return made;
}

/** @param {WebGL2RenderingContext} gl @param {number} kind @param {number} [between] */
function plainly(gl, kind, between = gl.NEAREST) {
  for (const side of [gl.TEXTURE_WRAP_S, gl.TEXTURE_WRAP_T, gl.TEXTURE_WRAP_R]) gl.texParameteri(kind, side, gl.CLAMP_TO_EDGE);
  gl.texParameteri(kind, gl.TEXTURE_MIN_FILTER, between);
  gl.texParameteri(kind, gl.TEXTURE_MAG_FILTER, between);
}

/**
 * Put a curve of rising light where the shaders read it, and say what they take off light to look it up.
 * @param {ReturnType<typeof prepared>} at @param {Float32Array} light  Of equally spaced encoded values.
 */
function curve({ context: gl, rises, starts }, light) {
  const last = light.length - 1;
  const pairs = new Float32Array(2 * last);
  for (let entry = 0; entry < last; entry += 1) pairs.set([light[entry], light[entry + 1] - light[entry]], 2 * entry);
  const dark = light[0] - LEAST;
  const rows = Math.max(1, Math.ceil(Math.log2((light[last] - dark) / LEAST)));
  const entries = new Float32Array(256 * rows);
  for (let key = 0, entry = 0; key < entries.length; key += 1) {
    const begins = dark + LEAST * 2 ** (key >> 8) * (1 + (key & 255) / 256);
    while (entry < last - 1 && light[entry + 1] <= begins) entry += 1;
    entries[key] = entry;
  }
  const put = (/** @type {number} */ unit, /** @type {WebGLTexture | null} */ texture) => {
    gl.activeTexture(unit);
    gl.bindTexture(gl.TEXTURE_2D, texture);
    plainly(gl, gl.TEXTURE_2D);
  };
  put(gl.TEXTURE0, rises);
  gl.texImage2D(gl.TEXTURE_2D, 0, gl.RG32F, last, 1, 0, gl.RG, gl.FLOAT, pairs);
  put(gl.TEXTURE3, starts);
  gl.texImage2D(gl.TEXTURE_2D, 0, gl.R32F, 256, rows, 0, gl.RED, gl.FLOAT, entries);
  return dark;
}

/** @param {WebGL2RenderingContext} gl @param {Uint32Array} points  Red, green and blue of ten bits each, from the lowest bit up. */
function cube(gl, points) {
  const side = Math.round(Math.cbrt(points.length));
  const texture = gl.createTexture();
  gl.activeTexture(gl.TEXTURE1);
  gl.bindTexture(gl.TEXTURE_3D, texture);
  plainly(gl, gl.TEXTURE_3D);
  gl.texImage3D(gl.TEXTURE_3D, 0, gl.RGB10_A2, side, side, side, 0, gl.RGBA, gl.UNSIGNED_INT_2_10_10_10_REV, points);
  return texture;
}
