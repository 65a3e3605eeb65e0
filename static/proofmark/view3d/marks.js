// What stands on the part and beside it: numbered places with leaders, signs, the place under the finger, a scale bar
// and the three directions. All in one drawing over the canvas.

import { number } from "./words.js";

const SVG = "http://www.w3.org/2000/svg";
const NARROW = 560, ARM = 44, DISTANCES = [46, 70, 100, 140, 190, 250], TURNS = 16;

export class Marks {
  constructor(view) {
    this.view = view;
    this.root = draw("svg", { class: "v3-marks", "aria-hidden": "true" });
    this.labels = [];
    this.signs = [];
    this.layers = ["signs", "leaders", "labels", "places", "side"].map((name) => draw("g", { class: `v3-${name}` }, this.root));
    this.arms = ["forward", "left", "up"].map((word) => {
      const group = draw("g", {}, this.layers[4]);
      return { lines: haloed(group), word: draw("text", {}, group, word) };
    });
    this.bar = haloed(this.layers[4]);
    this.length = draw("text", { class: "length", "text-anchor": "middle" }, this.layers[4]);
    this.note = draw("text", { class: "note-3d", "text-anchor": "end" }, this.layers[4]);
    this.ring = draw("g", { class: "v3-here" }, this.layers[3]);
    draw("circle", { r: 7, class: "halo" }, this.ring);
    draw("circle", { r: 7 }, this.ring);
    this.cross = draw("g", { class: "v3-cross" }, this.layers[3]);
    for (const line of haloed(this.cross)) set(line, { d: "M-11 0h22M0 -11v22" });
    this.here = null;
    view.stage.append(this.root);
  }

  // callouts: number, at (mm from the origin), normal, lines of text, outside.
  setLabels(callouts) {
    this.labels = callouts.map((callout) => {
      const group = draw("g", { class: "v3-label" + (callout.outside ? " out" : "") }, this.layers[2]);
      const label = {
        ...callout,
        leader: draw("path", { class: "lead-line" }, this.layers[1]),
        dot: draw("circle", { class: "dot", r: 4.5 }, this.layers[1]),
        group,
        box: draw("rect", {}, group),
        texts: callout.lines.map((line, row) => draw("text", { class: row ? "sub" : "lab-t" }, group, line)),
        short: draw("text", { class: "lab-t", "text-anchor": "middle" }, group, String(callout.number)),
        offset: null,
        seen: true,
      };
      return label;
    });
    this.narrow = null;
  }

  clearLabels() {
    this.layers[1].replaceChildren();
    this.layers[2].replaceChildren();
    this.labels = [];
  }

  setSigns(signs) {
    this.layers[0].replaceChildren();
    this.signs = signs.map((sign) => {
      const mark = draw("g", {}, this.layers[0]);
      for (const line of haloed(mark)) set(line, { d: sign.plus ? "M-6 0h12M0 -6v12" : "M-6 0h12" });
      return { ...sign, mark };
    });
  }

  // The place under the finger, mm from the origin; null for none.
  point(at) {
    this.here = at;
    this.view.ask();
  }

  update() {
    const { camera } = this.view, { width, height } = camera;
    set(this.root, { viewBox: `0 0 ${width} ${height}`, width, height });
    this.measure(width < NARROW);
    const hidden = [], taken = [];
    for (const label of this.labels) {
      const seen = this.view.sees(label.at, label.normal);
      show(seen, label.group, label.leader, label.dot);
      if (!seen) hidden.push(label.number);
      else this.settle(label, taken);
    }
    for (const sign of this.signs) {
      const seen = this.view.sees(sign.at, sign.normal);
      show(seen, sign.mark);
      if (seen) move(sign.mark, camera.place(sign.at));
    }
    show(this.here !== null, this.ring);
    if (this.here) move(this.ring, camera.place(this.here));
    move(this.cross, [width / 2, height / 2]);
    this.note.textContent = hidden.length ? `${hidden.join(", ")}: not seen from here` : "";
    set(this.note, { x: width - 12, y: height - 14 });
    this.beside(width, height);
  }

  // How large each label is; again when the stage becomes narrow or wide.
  measure(narrow) {
    if (narrow === this.narrow) return;
    this.narrow = narrow;
    for (const label of this.labels) {
      label.offset = null;
      show(!narrow, ...label.texts);
      show(narrow, label.short);
      if (narrow) {
        [label.wide, label.high] = [26, 26];
        set(label.short, { x: 13, y: 18 });
      } else {
        label.wide = Math.max(...label.texts.map((text) => text.getComputedTextLength())) + 18;
        label.high = 8 + 17 * label.texts.length;
        label.texts.forEach((text, row) => set(text, { x: 9, y: 17 + 16 * row }));
      }
      set(label.box, { width: label.wide, height: label.high });
    }
  }

  // Where a label stood it stays, as long as there is room; else the nearest place with room.
  settle(label, taken) {
    const { camera } = this.view, [x, y] = camera.place(label.at);
    const boxOf = ([dx, dy]) => {
      const left = x + dx - (dx < 0 ? label.wide : 0), top = y + dy - label.high / 2;
      return { left, top, right: left + label.wide, bottom: top + label.high };
    };
    const fits = (box) =>
      box.left > 4 && box.top > 4 && box.right < camera.width - 4 && box.bottom < camera.height - 30 &&
      !taken.some((o) => box.left < o.right + 6 && o.left < box.right + 6 && box.top < o.bottom + 6 && o.top < box.bottom + 6);
    if (!label.offset || !fits(boxOf(label.offset))) {
      const free = this.around(x, y).filter((offset) => fits(boxOf(offset)));
      label.offset = free.find((offset) => this.clear(boxOf(offset))) ?? free[0] ?? [40, -40];
    }
    const box = boxOf(label.offset);
    taken.push(box, { left: x - 8, top: y - 8, right: x + 8, bottom: y + 8 });
    move(label.group, [box.left, box.top]);
    move(label.dot, [x, y]);
    const end = [label.offset[0] < 0 ? box.right : box.left, box.top + label.high / 2];
    set(label.leader, { d: `M${x} ${y}L${end[0]} ${end[1]}` });
  }

  // Whether a box leaves the part in sight.
  clear({ left, top, right, bottom }) {
    const places = [[left, top], [right, top], [left, bottom], [right, bottom], [(left + right) / 2, (top + bottom) / 2]];
    return !places.some(([x, y]) => this.view.pick(x, y));
  }

  // Offsets to try, nearest first and away from the middle of the stage before towards it.
  around(x, y) {
    const { width, height } = this.view.camera, outward = Math.atan2(y - height / 2, x - width / 2);
    const offsets = [];
    for (const distance of DISTANCES) {
      for (let turn = 0; turn < TURNS; turn += 1) {
        const side = (turn % 2 ? 1 : -1) * Math.ceil(turn / 2) * ((2 * Math.PI) / TURNS);
        offsets.push([distance * Math.cos(outward + side), distance * Math.sin(outward + side)]);
      }
    }
    return offsets;
  }

  beside(width, height) {
    const { right, up } = this.view.camera.axes(), from = [34, height - 74];
    this.arms.forEach(({ lines, word }, axis) => {
      const [x, y] = [right[axis] * ARM, -up[axis] * ARM], size = Math.hypot(x, y);
      show(size > 9, ...lines, word);
      if (size <= 9) return;
      const [u, v] = [x / size, y / size], [ex, ey] = [from[0] + x, from[1] + y];
      const barb = (side) => `M${ex} ${ey}l${-7 * u + side * 2.6 * v} ${-7 * v - side * 2.6 * u}`;
      for (const line of lines) set(line, { d: `M${from[0]} ${from[1]}L${ex} ${ey}${barb(1)}${barb(-1)}` });
      const anchor = u > 0.35 ? "start" : u < -0.35 ? "end" : "middle";
      set(word, { x: Math.max(ex + 6 * u, anchor === "end" ? 34 : 2), y: ey + (v > 0.35 ? 14 : v < -0.35 ? -6 : 4), "text-anchor": anchor });
    });
    const mm = roundLength(Math.min(140, 0.3 * width) / this.view.camera.scale), long = mm * this.view.camera.scale;
    const left = 14, y = height - 30;
    for (const line of this.bar) set(line, { d: `M${left} ${y - 5}v10M${left} ${y}H${left + long}M${left + long} ${y - 5}v10` });
    set(this.length, { x: left + long / 2, y: height - 11 });
    this.length.textContent = number(mm, mm >= 1 ? 0 : 2) + "\u00a0mm";
  }

  close() {
    this.root.remove();
  }
}

// The largest of 1, 2, 5, 10, 20, 50 … that is not more than `most`.
export function roundLength(most) {
  const power = 10 ** Math.floor(Math.log10(most));
  return [5, 2, 1].find((step) => step * power <= most * (1 + 1e-9)) * power;
}

export function draw(name, attributes = {}, parent = null, text = null) {
  const element = document.createElementNS(SVG, name);
  set(element, attributes);
  if (text !== null) element.textContent = text;
  if (parent) parent.append(element);
  return element;
}

// A line twice: paper under it keeps it apart from the part.
const haloed = (parent) => ["halo", "on-top"].map((name) => draw("path", { class: name }, parent));

const set = (element, attributes) => {
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
};

const move = (element, [x, y]) => element.setAttribute("transform", `translate(${x.toFixed(1)} ${y.toFixed(1)})`);

function show(visible, ...elements) {
  for (const element of elements) element.toggleAttribute("hidden", !visible);
}
