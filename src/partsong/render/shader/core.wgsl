// The pixel maths of partsong.render.pixels, word for word where it can be, for graphics processors.
//
// Whoever uses it puts an entry point behind it: merge.wgsl on this machine, the desk's preview in the browser. Tables
// are textures, since both have them. Pictures, codes, encoded and linear mean what they mean there.

@group(0) @binding(0) var curve: texture_2d<f32>;    // (size, 1): linear light of equally spaced encoded values 0 to 1
@group(0) @binding(1) var lattice: texture_3d<f32>;  // a look: display colour of equally spaced encoded R'G'B'

// --- codes and encoded colour

struct Coding {
  scale_y: f32, zero_y: f32, scale_c: f32, zero_c: f32,  // code = scale * signal + zero
  red: f32, green: f32, blue: f32,                       // what they weigh in luma
  top: f32,                                              // the highest code
}

fn codes_to_encoded(codes: vec3f, c: Coding) -> vec3f {
  let luma = (codes.x - c.zero_y) / c.scale_y;
  let cb = (codes.y - c.zero_c) / c.scale_c;
  let cr = (codes.z - c.zero_c) / c.scale_c;
  let r = luma + 2.0 * (1.0 - c.red) * cr;
  let b = luma + 2.0 * (1.0 - c.blue) * cb;
  return vec3f(r, (luma - c.red * r - c.blue * b) / c.green, b);
}

fn encoded_to_codes(rgb: vec3f, c: Coding) -> vec3f {
  let luma = dot(rgb, vec3f(c.red, c.green, c.blue));
  let cb = (rgb.z - luma) / (2.0 * (1.0 - c.blue));
  let cr = (rgb.x - luma) / (2.0 * (1.0 - c.red));
  return vec3f(luma * c.scale_y + c.zero_y, cb * c.scale_c + c.zero_c, cr * c.scale_c + c.zero_c);
}

fn rounded(code: f32, c: Coding) -> u32 {
  return u32(clamp(floor(code + 0.5), 0.0, c.top));
}

// --- light

fn curve_at(entry: i32) -> f32 {
  return textureLoad(curve, vec2i(entry, 0), 0).x;
}

fn to_linear_one(encoded: f32) -> f32 {
  let last = i32(textureDimensions(curve).x) - 1;
  let place = encoded * f32(last);
  let low = clamp(i32(floor(place)), 0, last - 1);  // beyond the ends, the first and last slopes go on
  let first = curve_at(low);
  return first + (place - f32(low)) * (curve_at(low + 1) - first);
}

fn to_linear(encoded: vec3f) -> vec3f {
  return vec3f(to_linear_one(encoded.x), to_linear_one(encoded.y), to_linear_one(encoded.z));
}

fn to_encoded_one(light: f32) -> f32 {
  let last = i32(textureDimensions(curve).x) - 1;
  var low = 0;
  var high = last;
  while (high - low > 1) {
    let middle = (low + high) / 2;
    if (curve_at(middle) <= light) {
      low = middle;
    } else {
      high = middle;
    }
  }
  let first = curve_at(low);
  return (f32(low) + (light - first) / (curve_at(low + 1) - first)) / f32(last);
}

fn to_encoded(light: vec3f) -> vec3f {
  return vec3f(to_encoded_one(light.x), to_encoded_one(light.y), to_encoded_one(light.z));
}

// --- masks

struct Oval { x: f32, y: f32, rx: f32, ry: f32, cos: f32, sin: f32 }  // of its turn, clockwise on screen

fn oval_distance(oval: Oval, at: vec2f) -> f32 {
  let right = at.x - oval.x;
  let down = at.y - oval.y;
  let u = (right * oval.cos + down * oval.sin) / oval.rx;
  let v = (-right * oval.sin + down * oval.cos) / oval.ry;
  let q = length(vec2f(u, v));
  let steepness = length(vec2f(u / oval.rx, v / oval.ry));
  if (steepness == 0.0) {
    return (q - 1.0) * min(oval.rx, oval.ry);
  }
  return (q - 1.0) * q / steepness;
}

fn soft_edge(distance: f32, feather: f32) -> f32 {
  if (feather == 0.0) {
    return select(0.0, 1.0, distance <= 0.0);
  }
  let held = clamp(0.5 - distance / feather, 0.0, 1.0);
  return held * held * (3.0 - 2.0 * held);
}

fn oval_alpha(oval: Oval, feather: f32, at: vec2f) -> f32 {
  return soft_edge(oval_distance(oval, at), feather);
}

// --- tables

fn lattice_at(corner: vec3i) -> vec3f {
  return textureLoad(lattice, corner, 0).xyz;
}

fn look_up(place: vec3f) -> vec3f {
  // Tetrahedral: from the cell's low corner along the axis with the greatest fraction first.
  let size = vec3i(textureDimensions(lattice));
  let low = clamp(vec3i(floor(place)), vec3i(0), size - 2);
  let f = place - vec3f(low);
  var first = vec3i(1, 0, 0);
  var third = vec3i(1, 0, 0);
  if (f.y > f.x) {
    first = select(vec3i(0, 1, 0), vec3i(0, 0, 1), f.z > f.y);
  } else {
    first = select(vec3i(1, 0, 0), vec3i(0, 0, 1), f.z > f.x);
  }
  if (f.x <= f.y) {
    third = select(vec3i(1, 0, 0), vec3i(0, 0, 1), f.z <= f.x);
  } else {
    third = select(vec3i(0, 1, 0), vec3i(0, 0, 1), f.z <= f.y);
  }
  let second = vec3i(1) - first - third;
  let greatest = dot(f, vec3f(first));
  let middle = dot(f, vec3f(second));
  let least = dot(f, vec3f(third));
  return (1.0 - greatest) * lattice_at(low)
    + (greatest - middle) * lattice_at(low + first)
    + (middle - least) * lattice_at(low + first + second)
    + least * lattice_at(low + vec3i(1));
}
