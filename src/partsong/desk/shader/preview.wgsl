// The desk's preview: one pixel of the merged wide, or of one take, from the atlas. It stands behind core.wgsl.
//
// It is drawn in cells of the frame, each with those layers only that can be seen there. Layers are read from the top
// down, so that those that are hidden cost nothing.

struct Seen {
  tile: vec4f,  // where the take lies on the atlas: x, y, width, height
  oval: vec4f,  // centre and radii, in pixels of the film
  turn: vec4f,  // cosine and sine of the oval's turn, feather in pixels; the last is 1 for an oval, 2 for a curve
  gain: vec4f,  // of red, green and blue; the last is not used
  edge: vec4f,  // opacity, how far it fills the frame, which of the fields is the curve's; the last is not used
  back: vec4f,  // from the reference's pixels to the take's: (a, -b; b, a), then right and down
}

struct Page {
  size: vec4f,  // width and height of the film, what is taken off light before it is looked up; the last is not used
  count: vec4i,  // how many layers; the last three are not used
  layers: array<Seen, 16>,
}

@group(1) @binding(0) var atlas: texture_2d<f32>;
@group(1) @binding(1) var<uniform> page: Page;
@group(1) @binding(4) var straight: sampler;  // straight between the nearest four pixels
@group(1) @binding(2) var rises: texture_2d<f32>;   // (size - 1, 1): the curve's entries, each with the step to the next
@group(1) @binding(3) var starts: texture_2d<f32>;  // where on the curve to begin to look for light, by the bits of it

@group(1) @binding(5) var fields: texture_2d_array<f32>;  // distances from curves, in pixels of the film

// --- light: as core.wgsl has it, with as few fetches as it takes

fn rise_at(entry: i32) -> vec2f {
  return textureLoad(rises, vec2i(entry, 0), 0).xy;
}

fn light_of_one(encoded: f32) -> f32 {
  let last = i32(textureDimensions(rises).x);
  let place = encoded * f32(last);
  let low = clamp(i32(floor(place)), 0, last - 1);
  let rise = rise_at(low);
  return rise.x + (place - f32(low)) * rise.y;
}

fn light_of(encoded: vec3f) -> vec3f {
  return vec3f(light_of_one(encoded.x), light_of_one(encoded.y), light_of_one(encoded.z));
}

const LEAST = 0.000244140625;  // 2 to the power of -12
const LEAST_BITS = 29440u;  // of that, and so for all others: the sign, the exponent and eight bits after it

fn encoded_of_one(light: f32) -> f32 {
  let last = i32(textureDimensions(rises).x);
  let key = i32((bitcast<u32>(max(light - page.size.z, LEAST)) >> 15u) - LEAST_BITS);
  let rows = i32(textureDimensions(starts).y);
  var low = i32(textureLoad(starts, vec2i(key & 255, min(key >> 8u, rows - 1)), 0).x);
  var rise = rise_at(low);
  while (low < last - 1 && rise.x + rise.y <= light) {
    low += 1;
    rise = rise_at(low);
  }
  return (f32(low) + (light - rise.x) / rise.y) / f32(last);
}

fn encoded_of(light: vec3f) -> vec3f {
  return vec3f(encoded_of_one(light.x), encoded_of_one(light.y), encoded_of_one(light.z));
}

// --- one layer

fn tile_at(tile: vec4f, place: vec2f) -> vec3f {
  // Colour is kept at half the size, so the outermost pixels share theirs with what lies beside the tile.
  let inside = clamp(place, vec2f(1.0), tile.zw - vec2f(2.0));
  let size = vec2f(textureDimensions(atlas));
  return textureSampleLevel(atlas, straight, (tile.xy + inside + vec2f(0.5)) / size, 0.0).xyz;
}

fn own_colour(number: i32, place: vec2f) -> vec3f {
  let back = page.layers[number].back;
  let tile = page.layers[number].tile;
  let own = vec2f(back.x * place.x - back.y * place.y, back.y * place.x + back.x * place.y) + back.zw;
  return tile_at(tile, (own + vec2f(0.5)) * tile.zw / page.size.xy - vec2f(0.5));
}

fn shown(encoded: vec3f) -> vec4f {
  return vec4f(look_up(encoded * f32(textureDimensions(lattice).x - 1u)), 1.0);
}

fn curve_alpha(number: i32, place: vec2f) -> f32 {
  // Distances are kept for points that lie evenly from the middle of the first pixel to that of the last.
  let points = vec2f(textureDimensions(fields));
  let at = place / (page.size.xy - vec2f(1.0)) * (points - vec2f(1.0)) + vec2f(0.5);
  let field = i32(page.layers[number].edge.z);
  return soft_edge(textureSampleLevel(fields, straight, at / points, field, 0.0).x, page.layers[number].turn.z);
}

// Where one layer is all there is to see, as it was filmed: no way through light.
@fragment
fn alone(@location(0) at: vec2f) -> @location(0) vec4f {
  return shown(own_colour(0, at * page.size.xy - vec2f(0.5)));
}

@fragment
fn merged(@location(0) at: vec2f) -> @location(0) vec4f {
  return merged_at(at * page.size.xy - vec2f(0.5), false);
}

@fragment
fn merged_curves(@location(0) at: vec2f) -> @location(0) vec4f {
  return merged_at(at * page.size.xy - vec2f(0.5), true);
}

fn merged_at(place: vec2f, curves: bool) -> vec4f {
  var light = vec3f(0.0);
  var left = 1.0;
  var copied = vec3f(-1.0);  // of a layer that is all there is to see, without a way through light
  for (var number = page.count.x - 1; number >= 0; number -= 1) {
    let edge = page.layers[number].edge;
    let oval = page.layers[number].oval;
    let turn = page.layers[number].turn;
    let gain = page.layers[number].gain.xyz;
    var alpha = 1.0;
    if (curves && turn.w > 1.5) {
      alpha = curve_alpha(number, place);
    } else if (turn.w > 0.5) {
      alpha = oval_alpha(Oval(oval.x, oval.y, oval.z, oval.w, turn.x, turn.y), turn.z, place);
    }
    alpha = (alpha + (1.0 - alpha) * edge.y) * edge.x;
    if (number == 0) {
      alpha = 1.0;
    }
    if (alpha > 0.0) {
      let own = own_colour(number, place);
      if (left * alpha == 1.0 && all(gain == vec3f(1.0))) {
        copied = own;
      } else {
        light += left * alpha * gain * light_of(own);
      }
      left *= 1.0 - alpha;
    }
    if (left <= 0.0) {
      break;
    }
  }
  var encoded = copied;
  if (copied.x < 0.0) {
    encoded = clamp(encoded_of(light), vec3f(0.0), vec3f(1.0));
  }
  return shown(encoded);
}
