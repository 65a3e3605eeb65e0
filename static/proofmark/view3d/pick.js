// What lies under a place on the screen: the face that a line of sight meets first, and the sample that speaks for it.

import { cross, dot } from "./camera.js";

const LEAF = 8;

// Faces come in an order in which neighbours in space follow each other, so boxes around runs of them make a tree.
export class Tree {
  constructor(vertices, faces) {
    this.vertices = vertices;
    this.faces = faces;
    this.count = faces.length / 3;
    let leaves = 1;
    while (leaves * LEAF < this.count) leaves *= 2;
    this.leaves = leaves;
    this.boxes = new Float32Array(12 * leaves).fill(0);
    for (let node = 0; node < 2 * leaves; node += 1) this.boxes.set([1e30, 1e30, 1e30, -1e30, -1e30, -1e30], 6 * node);
    for (let i = 0; i < faces.length; i += 1) {
      this.widen(leaves + Math.floor(i / 3 / LEAF), vertices, 3 * faces[i], 3 * faces[i]);
    }
    for (let node = 2 * leaves - 1; node > 1; node -= 1) this.widen(node >> 1, this.boxes, 6 * node, 6 * node + 3);
  }

  widen(node, from, low, high) {
    const boxes = this.boxes;
    for (let axis = 0; axis < 3; axis += 1) {
      if (from[low + axis] < boxes[6 * node + axis]) boxes[6 * node + axis] = from[low + axis];
      if (from[high + axis] > boxes[6 * node + 3 + axis]) boxes[6 * node + 3 + axis] = from[high + axis];
    }
  }

  // {at, face, normal, away} or null. nearest: ignore what lies closer than this, mm.
  meet(from, way, nearest = 0) {
    let best = Infinity, found = -1;
    const waiting = [1];
    while (waiting.length) {
      const node = waiting.pop();
      if (this.enters(node, from, way) >= best) continue;
      if (node < this.leaves) {
        waiting.push(2 * node, 2 * node + 1);
        continue;
      }
      const first = (node - this.leaves) * LEAF, end = Math.min(first + LEAF, this.count);
      for (let face = first; face < end; face += 1) {
        const away = this.crosses(face, from, way);
        if (away > nearest && away < best) [best, found] = [away, face];
      }
    }
    if (found < 0) return null;
    const at = from.map((value, axis) => value + best * way[axis]);
    return { at, face: found, normal: this.normal(found), away: best };
  }

  enters(node, from, way) {
    let first = 0, last = Infinity;
    for (let axis = 0; axis < 3; axis += 1) {
      const low = this.boxes[6 * node + axis], high = this.boxes[6 * node + 3 + axis];
      if (Math.abs(way[axis]) < 1e-12) {
        if (from[axis] < low - 1e-4 || from[axis] > high + 1e-4) return Infinity;
        continue;
      }
      const one = (low - from[axis]) / way[axis], two = (high - from[axis]) / way[axis];
      first = Math.max(first, Math.min(one, two) - 1e-4);
      last = Math.min(last, Math.max(one, two) + 1e-4);
    }
    return first <= last ? first : Infinity;
  }

  corners(face) {
    return [0, 1, 2].map((corner) => {
      const row = 3 * this.faces[3 * face + corner];
      return [this.vertices[row], this.vertices[row + 1], this.vertices[row + 2]];
    });
  }

  crosses(face, from, way) {
    const [a, b, c] = this.corners(face);
    const u = minus(b, a), v = minus(c, a), p = cross(way, v), bulk = dot(u, p);
    if (Math.abs(bulk) < 1e-12) return Infinity;
    const s = minus(from, a), one = dot(s, p) / bulk;
    if (one < -1e-7 || one > 1 + 1e-7) return Infinity;
    const q = cross(s, u), two = dot(way, q) / bulk;
    return two < -1e-7 || one + two > 1 + 1e-7 ? Infinity : dot(v, q) / bulk;
  }

  normal(face) {
    const [a, b, c] = this.corners(face), whole = cross(minus(b, a), minus(c, a));
    const size = Math.hypot(...whole) || 1;
    return whole.map((value) => value / size);
  }
}

export const minus = (a, b) => [a[0] - b[0], a[1] - b[1], a[2] - b[2]];

// The nearest sample on the same side of the part, by the rule of the measurement (Samples.nearest): its row.
export function nearestSample(data, at, normal) {
  const { samplePoints: points, sampleNormals: normals } = data, side = data.side * data.spacing;
  let best = Infinity, row = -1;
  for (let i = 0; i < points.length; i += 3) {
    const x = points[i] - at[0], y = points[i + 1] - at[1], z = points[i + 2] - at[2];
    let away = x * x + y * y + z * z;
    if (away >= best) continue;
    const u = side * (normals[i] - normal[0]), v = side * (normals[i + 1] - normal[1]), w = side * (normals[i + 2] - normal[2]);
    away += u * u + v * v + w * w;
    if (away < best) [best, row] = [away, i / 3];
  }
  return row;
}
