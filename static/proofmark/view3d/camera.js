// From where the part is seen: a parallel projection, as on the drawings (metrology/pictures/views.py).
// Part frame: +X forward, +Y left, +Z up. `round`: degrees from the front towards the part's right. `above`: degrees.

const DEGREE = Math.PI / 180;

export const VIEWS = [
  { name: "pictorial", title: "Pictorial", round: 52, above: 33 },
  { name: "top", title: "From above", round: 90, above: 90 },
  { name: "bottom", title: "From below", round: 90, above: -90 },
  { name: "front", title: "From the front", round: 0, above: 0 },
  { name: "back", title: "From the back", round: 180, above: 0 },
  { name: "left", title: "From the left", round: 270, above: 0 },
  { name: "right", title: "From the right", round: 90, above: 0 },
];

export class Camera {
  // points: places the part takes up, three numbers each, about the origin.
  constructor(points) {
    this.points = points;
    const low = [Infinity, Infinity, Infinity], high = [-Infinity, -Infinity, -Infinity];
    for (let i = 0; i < points.length; i += 1) {
      low[i % 3] = Math.min(low[i % 3], points[i]);
      high[i % 3] = Math.max(high[i % 3], points[i]);
    }
    this.middle = low.map((value, axis) => (value + high[axis]) / 2);
    this.radius = Math.hypot(...low.map((value, axis) => high[axis] - value)) / 2 || 1;
    this.width = this.height = 1;
    this.round = VIEWS[0].round;
    this.above = VIEWS[0].above;
    this.target = [...this.middle];
    this.scale = 1; // px a millimetre
  }

  // Unit directions in the part frame: right and up on the screen, and towards the eye.
  axes(round = this.round, above = this.above) {
    const a = round * DEGREE, e = above * DEGREE;
    const right = [Math.sin(a), Math.cos(a), 0];
    const up = [-Math.cos(a) * Math.sin(e), Math.sin(a) * Math.sin(e), Math.cos(e)];
    return { right, up, toward: cross(right, up) };
  }

  // Where it must look, and how closely, so that all is seen. air: px round the part.
  fitted(round, above, air = 0.07 * Math.min(this.width, this.height)) {
    const { right, up } = this.axes(round, above), points = this.points;
    let left = Infinity, rightmost = -Infinity, low = Infinity, high = -Infinity;
    for (let i = 0; i < points.length; i += 3) {
      const x = right[0] * points[i] + right[1] * points[i + 1] + right[2] * points[i + 2];
      const y = up[0] * points[i] + up[1] * points[i + 1] + up[2] * points[i + 2];
      if (x < left) left = x;
      if (x > rightmost) rightmost = x;
      if (y < low) low = y;
      if (y > high) high = y;
    }
    const across = Math.max(rightmost - left, 1e-6 * this.radius), tall = Math.max(high - low, 1e-6 * this.radius);
    const scale = Math.min((this.width - 2 * air) / across, (this.height - 2 * air) / tall);
    const x = (left + rightmost) / 2 - dot(right, this.middle), y = (low + high) / 2 - dot(up, this.middle);
    const target = this.middle.map((value, axis) => value + right[axis] * x + up[axis] * y);
    return { round, above, target, scale: Math.max(scale, 1e-9) };
  }

  set({ round, above, target, scale }) {
    Object.assign(this, { round, above, target: [...target], scale });
  }

  get state() {
    return { round: this.round, above: this.above, target: [...this.target], scale: this.scale };
  }

  turn(round, above) {
    this.round = (this.round + round + 720) % 360;
    this.above = Math.min(90, Math.max(-90, this.above + above));
  }

  // The part moves with the finger: px to the right and down.
  shift(x, y) {
    const { right, up } = this.axes();
    for (let axis = 0; axis < 3; axis += 1) this.target[axis] += (up[axis] * y - right[axis] * x) / this.scale;
  }

  // Larger or smaller about a place on the screen, px from its middle, right and down.
  zoom(factor, x = 0, y = 0) {
    const whole = this.fitted(this.round, this.above).scale;
    const scale = Math.min(Math.max(this.scale * factor, 0.3 * whole), 200 * whole);
    const kept = 1 - this.scale / scale;
    const { right, up } = this.axes();
    for (let axis = 0; axis < 3; axis += 1) this.target[axis] += ((right[axis] * x - up[axis] * y) * kept) / this.scale;
    this.scale = scale;
  }

  // px right and down from the upper left, and mm towards the eye.
  place(point) {
    const { right, up, toward } = this.axes();
    const away = point.map((value, axis) => value - this.target[axis]);
    return [this.width / 2 + dot(right, away) * this.scale, this.height / 2 - dot(up, away) * this.scale, dot(toward, away)];
  }

  // The line of sight through a place on the screen: where it starts, outside the part, and its direction.
  ray(x, y) {
    const { right, up, toward } = this.axes();
    const across = (x - this.width / 2) / this.scale, upward = (this.height / 2 - y) / this.scale;
    const far = this.far();
    const from = this.target.map((value, axis) => value + right[axis] * across + up[axis] * upward + toward[axis] * far);
    return { from, way: toward.map((value) => -value) };
  }

  // mm from the target to the eye: outside the part wherever the target has been moved to.
  far() {
    return 2 * this.radius + Math.hypot(...this.target.map((value, axis) => value - this.middle[axis]));
  }
}

export const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];

export const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];

// A way from one state to the other, the short way round. part: 0 to 1.
export function between(start, end, part) {
  const by = ((end.round - start.round + 540) % 360) - 180;
  return {
    round: (start.round + by * part + 720) % 360,
    above: start.above + (end.above - start.above) * part,
    target: start.target.map((value, axis) => value + (end.target[axis] - value) * part),
    scale: start.scale * (end.scale / start.scale) ** part,
  };
}
