// How a place on the part becomes a colour and a texture: the same bands, hatches and dots as in the pictures
// (metrology/pictures/paint.py, palette.py), in pixels of the screen, so that colour never speaks alone.

const COMMON = `
  vec3 lit(vec3 colour, float strength) {
    // From above and from the left of the eye; the difference is small, for the colour has something to say.
    float light = clamp(dot(normalize(facing), normalize(vec3(-0.45, 0.0, 0.55) + 0.9 * upward)), 0.0, 1.0);
    return colour * (1.0 - strength * (1.0 - light));
  }
  float outlined() {
    // A smooth outline, where the surface turns away from the eye.
    float toward = normalize(facing).z;
    return 1.0 - smoothstep(0.9, 1.9, abs(toward) / max(fwidth(toward), 1e-5) / unit);
  }
`;

export const SURFACE_VERTEX = `
  attribute float deviation;
  attribute float share;
  #ifdef OWN_LIMITS
  attribute vec2 limits;
  #else
  uniform vec2 limits;
  #endif
  varying float amount;
  varying float measured;
  varying vec2 between;
  varying vec3 facing;
  void main() {
    amount = deviation;
    measured = share;
    between = limits;
    facing = normalMatrix * normal;
    gl_Position = projectionMatrix * modelViewMatrix * vec4(position, 1.0);
  }
`;

export const SURFACE_FRAGMENT = `
  uniform float edges[8];
  uniform vec3 colours[9];
  uniform vec3 blank, stipple, graphite, inside;
  uniform float guard, stretch, unit;
  uniform vec3 upward;
  uniform bool unmeasured, closed;
  varying float amount;
  varying float measured;
  varying vec2 between;
  varying vec3 facing;
  ${COMMON}
  float hatch(float across) {
    float period = 8.0 * unit, line = 2.4 * unit;
    return clamp(line * 0.5 + 0.5 - abs(mod(across, period) - period * 0.5), 0.0, 1.0);
  }
  float dot_at(vec2 at, float radius) {
    vec2 away = mod(at, 8.0 * unit) - 4.0 * unit;
    return clamp(radius + 0.5 - length(away), 0.0, 1.0);
  }
  float stippled(vec2 at) {
    float side = 48.0 * unit, cover = 0.0;
    vec2 here = mod(at, side);
    for (int dot = 1; dot < 27; dot += 1) {
      vec2 away = abs(here - side * fract(float(dot) * vec2(0.7548776662466927, 0.5698402909980532)));
      away = min(away, side - away);
      cover = max(cover, clamp(0.95 * unit + 0.5 - length(away), 0.0, 1.0));
    }
    return cover;
  }
  void main() {
    vec2 at = gl_FragCoord.xy;
    if (!gl_FrontFacing && closed) {
      gl_FragColor = vec4(inside, 1.0);
      return;
    }
    if (!unmeasured && measured < 0.5) discard;
    float change = max(fwidth(amount), 1e-9);
    vec3 colour = colours[0];
    for (int k = 0; k < 8; k += 1) {
      colour += clamp((amount - edges[k]) / change + 0.5, 0.0, 1.0) * (colours[k + 1] - colours[k]);
    }
    colour = lit(colour, 0.05);
    float middle = (between.x + between.y) * 0.5, half_width = (between.y - between.x) * 0.5 * stretch;
    float margin = half_width - abs(amount - middle);
    float beyond = clamp(0.5 - margin / change, 0.0, 1.0);
    float close = clamp((min(guard, half_width) - margin) / change + 0.5, 0.0, 1.0) * (1.0 - beyond);
    float across = amount > middle ? at.x - at.y : at.x + at.y;
    float dots = max(dot_at(at, 1.5 * unit), dot_at(at + 4.0 * unit, 1.5 * unit));
    colour = mix(colour, vec3(1.0), beyond * hatch(across * 0.70710678));
    colour = mix(colour, vec3(1.0), close * dots);
    float gap = (0.5 - measured) / max(fwidth(measured), 1e-6);
    float blanked = clamp(gap + 0.5, 0.0, 1.0);
    if (gap > -2.0) {
      vec3 grey = lit(blank, 0.05);
      if (blanked > 0.0) grey = mix(grey, stipple, stippled(at));
      colour = mix(colour, grey, blanked);
      colour = mix(colour, stipple, clamp(0.6 * unit + 0.5 - abs(gap), 0.0, 1.0));
    }
    gl_FragColor = vec4(mix(colour, graphite, outlined()), 1.0);
  }
`;

export const PLAIN_VERTEX = `
  varying vec3 facing;
  void main() {
    facing = normalMatrix * normal;
    gl_Position = projectionMatrix * modelViewMatrix * vec4(position, 1.0);
  }
`;

// The nominal alone: quiet greys by where a face looks.
export const PLAIN_FRAGMENT = `
  uniform vec3 paper, rule, graphite;
  uniform float unit;
  uniform vec3 upward;
  varying vec3 facing;
  ${COMMON}
  void main() {
    vec3 way = normalize(facing) * (gl_FrontFacing ? 1.0 : -1.0);
    float shade = 1.0 - clamp(dot(way, normalize(vec3(-0.45, 0.0, 0.55) + 0.9 * upward)), 0.0, 1.0);
    gl_FragColor = vec4(mix(mix(paper, rule, 0.75 * shade), graphite, outlined()), 1.0);
  }
`;

// Lines as narrow strips, so that they have a width on every screen.
export const LINE_VERTEX = `
  attribute vec3 start, end;
  uniform vec2 screen;
  uniform float width, nearer;
  void main() {
    vec4 a = projectionMatrix * modelViewMatrix * vec4(start, 1.0);
    vec4 b = projectionMatrix * modelViewMatrix * vec4(end, 1.0);
    vec2 along = (b.xy - a.xy) * screen;
    float size = length(along);
    vec2 way = size > 1e-6 ? along / size : vec2(1.0, 0.0);
    vec4 place = mix(a, b, position.x);
    place.xy += (vec2(-way.y, way.x) * position.y + way * (position.x - 0.5)) * width / screen;
    place.z -= nearer;
    gl_Position = place;
  }
`;

export const FLAT_FRAGMENT = `
  uniform vec3 graphite;
  void main() { gl_FragColor = vec4(graphite, 1.0); }
`;

export const POINT_VERTEX = `
  uniform float size;
  varying float depth;
  void main() {
    gl_Position = projectionMatrix * modelViewMatrix * vec4(position, 1.0);
    depth = gl_Position.z * 0.5 + 0.5;
    gl_PointSize = size;
  }
`;

// Points farther away are lighter, so that a cloud has depth.
export const POINT_FRAGMENT = `
  uniform vec3 near, far;
  varying float depth;
  void main() { gl_FragColor = vec4(mix(near, far, clamp(depth * 1.6 - 0.3, 0.0, 1.0)), 1.0); }
`;
