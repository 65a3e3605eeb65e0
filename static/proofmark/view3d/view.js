// One three-dimensional view: a stage on the page with the part on it. Draws only when something has changed.

import { Camera, VIEWS, between } from "./camera.js";
import { listen } from "./input.js";
import { Marks } from "./marks.js";
import { Tree } from "./pick.js";
import { Scene } from "./scene.js";
import { place } from "./words.js";

const MOVE = 260; // ms from one view to the next
const STILL = window.matchMedia("(prefers-reduced-motion: reduce)");

export class View extends EventTarget {
  // stage: the element to fill. said(text): tells those who do not see it.
  constructor(stage, data, said = () => {}) {
    super();
    Object.assign(this, { stage, data, said });
    this.canvas = document.createElement("canvas");
    this.canvas.setAttribute("aria-hidden", "true");
    this.scene = new Scene(this.canvas, data);
    this.camera = new Camera(data.points ?? data.vertices);
    stage.prepend(this.canvas);
    this.marks = new Marks(this);
    this.moving = null;
    this.asked = 0;
    this.name = VIEWS[0].name;
    this.canvas.addEventListener("webglcontextlost", (event) => {
      event.preventDefault();
      this.dispatchEvent(new Event("lost"));
    });
    this.watcher = new ResizeObserver(() => this.resize());
    this.watcher.observe(stage);
    this.resize();
    listen(this);
  }

  resize() {
    const { clientWidth: width, clientHeight: height } = this.stage;
    if (!width || !height) return;
    const ratio = Math.min(window.devicePixelRatio || 1, 2), camera = this.camera;
    const whole = camera.width === 1 || Math.abs(camera.scale / camera.fitted(camera.round, camera.above).scale - 1) < 1e-3;
    const grown = Math.min(width / camera.width, height / camera.height);
    camera.width = width;
    camera.height = height;
    this.scene.resize(width, height, ratio);
    if (whole) camera.set(camera.fitted(camera.round, camera.above));
    else camera.scale *= grown;
    this.draw();
  }

  // Something has changed: draw at the next chance, once.
  ask() {
    if (!this.asked) this.asked = requestAnimationFrame((now) => this.draw(now));
  }

  draw(now = performance.now()) {
    cancelAnimationFrame(this.asked);
    this.asked = 0;
    if (this.moving) this.step(now);
    this.scene.draw(this.camera);
    this.marks.update();
    this.stage.dataset.drawn = this.scene.drawn;
    if (this.moving) this.ask();
    else this.dispatchEvent(new Event("drawn"));
  }

  step(now) {
    const { start, end, begun } = this.moving;
    const part = Math.min((now - begun) / MOVE, 1);
    this.camera.set(between(start, end, part * part * (3 - 2 * part)));
    if (part === 1) this.moving = null;
  }

  // Moves to a state of the camera; at once for those who asked for less motion.
  move(end) {
    if (STILL.matches) {
      this.moving = null;
      this.camera.set(end);
    } else {
      this.moving = { start: this.camera.state, end, begun: performance.now() };
    }
    this.ask();
  }

  // One of the views by name.
  go(name) {
    const view = VIEWS.find((one) => one.name === name);
    this.named(name);
    this.move(this.camera.fitted(view.round, view.above));
    this.said(view.title);
  }

  whole() {
    this.move(this.camera.fitted(this.camera.round, this.camera.above));
    this.said("The whole part");
  }

  // To look straight at a place from outside, a little from above so that it stays recognisable.
  face(at, normal) {
    const flat = Math.hypot(normal[0], normal[1]);
    const round = flat > 0.2 ? (Math.atan2(-normal[1], normal[0]) * 180) / Math.PI : this.camera.round;
    const above = Math.min(75, Math.max(-75, (Math.atan2(normal[2], flat) * 180) / Math.PI + 12));
    this.named("");
    const whole = this.camera.fitted((round + 25 + 360) % 360, above);
    this.move({ ...whole, target: at, scale: whole.scale });
  }

  // The view is no longer one of the seven when somebody turns it.
  named(name) {
    if (this.name === name) return;
    this.name = name;
    this.dispatchEvent(new Event("named"));
  }

  turn(round, above) {
    this.moving = null;
    this.camera.turn(round, above);
    this.named("");
    this.ask();
  }

  shift(x, y) {
    this.moving = null;
    this.camera.shift(x, y);
    this.ask();
  }

  zoom(factor, x = this.camera.width / 2, y = this.camera.height / 2) {
    this.moving = null;
    this.camera.zoom(factor, x - this.camera.width / 2, y - this.camera.height / 2);
    this.ask();
  }

  get tree() {
    this.grown ??= new Tree(this.data.vertices, this.data.faces);
    return this.grown;
  }

  // What lies under a place on the stage, px: {at, normal} in mm from the origin, or null.
  pick(x, y) {
    if (this.data.points) return this.pickPoint(x, y);
    const { from, way } = this.camera.ray(x, y);
    const met = this.tree.meet(from, way);
    if (met && met.normal[0] * way[0] + met.normal[1] * way[1] + met.normal[2] * way[2] > 0 && !this.data.closed) {
      met.normal = met.normal.map((value) => -value);
    }
    return met;
  }

  // Of a cloud, the point nearest to the eye among those close to the finger.
  pickPoint(x, y, reach = 12) {
    const { points } = this.data, { right, up, toward } = this.camera.axes(), { target, scale, width, height } = this.camera;
    const across = (x - width / 2) / scale, upward = (height / 2 - y) / scale;
    let best = Infinity, row = -1;
    for (let i = 0; i < points.length; i += 3) {
      const u = points[i] - target[0], v = points[i + 1] - target[1], w = points[i + 2] - target[2];
      const off = Math.hypot(
        right[0] * u + right[1] * v + right[2] * w - across, up[0] * u + up[1] * v + up[2] * w - upward) * scale;
      if (off > reach) continue;
      const depth = toward[0] * u + toward[1] * v + toward[2] * w;
      // Three pixels beside the finger weigh as much as a place three pixels deeper.
      const cost = off * 3 - depth * scale;
      if (cost < best) [best, row] = [cost, i];
    }
    return row < 0 ? null : { at: Array.from(points.subarray(row, row + 3)), normal: toward };
  }

  // Whether a place on the surface can be seen.
  sees(at, normal) {
    const { toward } = this.camera.axes(), camera = this.camera;
    if (normal && this.data.closed && normal[0] * toward[0] + normal[1] * toward[1] + normal[2] * toward[2] < 0.02) return false;
    const [x, y] = camera.place(at);
    if (x < 0 || y < 0 || x > camera.width || y > camera.height) return false;
    return this.data.points ? true : !this.tree.meet(at, toward, 1e-3 * camera.radius);
  }

  // Coordinates as in the file.
  inFile(at) {
    return at.map((value, axis) => value + this.data.origin[axis]);
  }

  placeWords(at) {
    return place(this.inFile(at));
  }

  close() {
    this.watcher.disconnect();
    cancelAnimationFrame(this.asked);
    this.scene.close();
    this.marks.close();
    this.canvas.remove();
  }
}
