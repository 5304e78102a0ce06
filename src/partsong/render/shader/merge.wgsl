// Merges a frame's layers: takes' planes in, planes out, as partsong.render.pixels.merged defines it.
//
// One invocation makes two cells side by side (the pixels that share a colour sample), so that what it writes fills
// whole words: two codes of 16 bits each.

struct Layer {
  gain: vec3f,
  copies: u32,  // 1 when the gain is one, so that codes may be taken as they are
  move_x: i32,
  move_y: i32,
}

struct Frame {
  width: i32, height: i32,
  across: i32, down: i32,  // pixels of a cell
  layers: i32,
  words_y: i32, words_c: i32,  // words in a row of the luma and of a colour plane
  @align(16) coding: Coding,
}

@group(1) @binding(0) var<uniform> frame: Frame;
@group(1) @binding(1) var<storage, read> layers: array<Layer>;
@group(1) @binding(2) var weights: texture_2d_array<f32>;
@group(1) @binding(3) var luma: texture_2d_array<u32>;
@group(1) @binding(4) var blue: texture_2d_array<u32>;
@group(1) @binding(5) var red: texture_2d_array<u32>;
@group(1) @binding(6) var<storage, read_write> out_y: array<u32>;
@group(1) @binding(7) var<storage, read_write> out_u: array<u32>;
@group(1) @binding(8) var<storage, read_write> out_v: array<u32>;

fn codes_of(layer: i32, x: i32, y: i32) -> vec3f {
  let column = clamp(x - layers[layer].move_x, 0, frame.width - 1);
  let row = clamp(y - layers[layer].move_y, 0, frame.height - 1);
  let cell = vec2i(column / frame.across, row / frame.down);
  return vec3f(
    f32(textureLoad(luma, vec2i(column, row), layer, 0).x),
    f32(textureLoad(blue, cell, layer, 0).x),
    f32(textureLoad(red, cell, layer, 0).x),
  );
}

fn merged(x: i32, y: i32) -> vec3f {
  var light = vec3f(0.0);
  for (var layer = 0; layer < frame.layers; layer++) {
    let weight = textureLoad(weights, vec2i(x, y), layer, 0).x;
    if (weight > 0.0) {
      let codes = codes_of(layer, x, y);
      if (weight == 1.0 && layers[layer].copies == 1u) {
        return codes;
      }
      light += weight * layers[layer].gain * to_linear(codes_to_encoded(codes, frame.coding));
    }
  }
  return encoded_to_codes(to_encoded(light), frame.coding);
}

@compute @workgroup_size(16, 4)
fn merge_frame(@builtin(global_invocation_id) id: vec3u) {
  let row = i32(id.y);
  let columns = (frame.width + frame.across - 1) / frame.across;
  let rows = (frame.height + frame.down - 1) / frame.down;
  if (i32(id.x) * 2 >= columns || row >= rows) {
    return;
  }
  var colour = array<vec2u, 2>(vec2u(0u), vec2u(0u));
  for (var line = row * frame.down; line < min((row + 1) * frame.down, frame.height); line++) {
    for (var word = 0; word < frame.across; word++) {
      let at = line * frame.words_y + i32(id.x) * frame.across + word;
      out_y[at] = 0u;
    }
  }
  for (var side = 0; side < 2; side++) {
    let cell = i32(id.x) * 2 + side;
    if (cell >= columns) {
      break;
    }
    var sum = vec2f(0.0);
    var count = 0.0;
    for (var line = row * frame.down; line < min((row + 1) * frame.down, frame.height); line++) {
      for (var x = cell * frame.across; x < min((cell + 1) * frame.across, frame.width); x++) {
        let codes = merged(x, line);
        let at = line * frame.words_y + x / 2;
        out_y[at] = out_y[at] | (rounded(codes.x, frame.coding) << (16u * u32(x & 1)));
        sum += codes.yz;
        count += 1.0;
      }
    }
    colour[side] = vec2u(rounded(sum.x / count, frame.coding), rounded(sum.y / count, frame.coding));
  }
  let at = row * frame.words_c + i32(id.x);
  out_u[at] = colour[0].x | (colour[1].x << 16u);
  out_v[at] = colour[0].y | (colour[1].y << 16u);
}
