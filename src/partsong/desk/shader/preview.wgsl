// The desk's preview: one pixel of the merged wide, or of one take, from the atlas. It stands behind core.wgsl.
//
// Layers are read from the top down, so that those that are hidden cost nothing.

struct Seen {
  tile: vec4f,  // where the take lies on the atlas: x, y, width, height
  oval: vec4f,  // centre and radii, in pixels of the film
  edge: vec4f,  // turn in radians, feather in pixels, opacity, how far it fills the frame
  gain: vec4f,  // of red, green and blue; the last is 1 where there is an oval, 0 where the frame is filled
  back: vec4f,  // from the reference's pixels to the take's: (a, -b; b, a), then right and down
}

struct Page {
  size: vec4f,  // width and height of the film; the last two are not used
  count: vec4i,  // how many layers; the last three are not used
  layers: array<Seen, 16>,
}

@group(1) @binding(0) var atlas: texture_2d<f32>;
@group(1) @binding(1) var<uniform> page: Page;

fn tile_at(tile: vec4f, place: vec2f) -> vec3f {
  // Colour is kept at half the size, so the outermost pixels share theirs with what lies beside the tile.
  let last = tile.zw - vec2f(2.0);
  let inside = clamp(place, vec2f(1.0), last);
  let low = min(floor(inside), last - vec2f(1.0));
  let f = inside - low;
  let from_corner = vec2i(tile.xy + low);
  let above = mix(textureLoad(atlas, from_corner, 0).xyz, textureLoad(atlas, from_corner + vec2i(1, 0), 0).xyz, f.x);
  let below = mix(
    textureLoad(atlas, from_corner + vec2i(0, 1), 0).xyz, textureLoad(atlas, from_corner + vec2i(1, 1), 0).xyz, f.x
  );
  return mix(above, below, f.y);
}

@fragment
fn preview(@location(0) at: vec2f) -> @location(0) vec4f {
  let place = at * page.size.xy - vec2f(0.5);
  var light = vec3f(0.0);
  var left = 1.0;
  var copied = vec3f(-1.0);  // of a layer that is all there is to see, without a way through light
  for (var number = page.count.x - 1; number >= 0; number -= 1) {
    let edge = page.layers[number].edge;
    let oval = page.layers[number].oval;
    let gain = page.layers[number].gain;
    var alpha = 1.0;
    if (gain.w > 0.5) {
      alpha = oval_alpha(Oval(oval.x, oval.y, oval.z, oval.w, edge.x), edge.y, place);
    }
    alpha = (alpha + (1.0 - alpha) * edge.w) * edge.z;
    if (number == 0) {
      alpha = 1.0;
    }
    if (alpha > 0.0) {
      let back = page.layers[number].back;
      let tile = page.layers[number].tile;
      let own = vec2f(back.x * place.x - back.y * place.y, back.y * place.x + back.x * place.y) + back.zw;
      let on_tile = (own + vec2f(0.5)) * tile.zw / page.size.xy - vec2f(0.5);
      let own_colour = tile_at(tile, on_tile);
      if (left * alpha == 1.0 && all(gain.xyz == vec3f(1.0))) {
        copied = own_colour;
      } else {
        light += left * alpha * gain.xyz * to_linear(own_colour);
      }
      left *= 1.0 - alpha;
    }
    if (left <= 0.0) {
      break;
    }
  }
  let steps = f32(textureDimensions(lattice).x - 1u);
  var encoded = copied;
  if (copied.x < 0.0) {
    encoded = clamp(to_encoded(light), vec3f(0.0), vec3f(1.0));
  }
  return vec4f(look_up(encoded * steps), 1.0);
}
