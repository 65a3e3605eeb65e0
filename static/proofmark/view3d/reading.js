// What the view says of a measured part: the deviation at a place, what if the limits were others, what was not measured.

import { nearestSample } from "./pick.js";
import { BANDS, present, scale, stretched } from "./scale.js";
import { against, found, length, limits, mm, number, place, share } from "./words.js";
import { draw } from "./marks.js";

export class Reading {
  constructor(view, panel) {
    Object.assign(this, { view, panel, data: view.data, stretch: 1, unmeasured: true, kept: null });
    this.data.samplePoints3 = (row) => Array.from(this.data.samplePoints.subarray(3 * row, 3 * row + 3));
    this.read = panel.querySelector("[data-read]");
    this.start = this.read.textContent;
    view.marks.setLabels(this.data.callouts.map((callout) => this.label(callout)));
    view.marks.setSigns((this.data.signs ?? []).map((sign) => ({ ...sign, at: this.fromFile(sign.at) })));
    this.places();
    this.slider();
    this.toggle();
    this.listen();
    this.show();
    new ResizeObserver(() => this.drawLegend()).observe(panel.querySelector("[data-legend]"));
  }

  drawLegend() {
    const [lower, upper] = stretched(this.data.lower, this.data.upper, this.stretch);
    const { edges, decimals } = scale(lower, upper, this.data.guard);
    this.legend(edges, decimals);
  }

  fromFile(at) {
    return at.map((value, axis) => value - this.data.origin[axis]);
  }

  label(callout) {
    const [said, where] = callout.sentence.replace(/\.$/, "").split(" at ");
    const row = this.rowAt(this.fromFile(callout.at), callout.normal ?? [0, 0, 0]);
    const { lower, upper } = this.data.places[this.data.samplePlace[row]];
    return {
      number: callout.number,
      at: this.fromFile(callout.at),
      normal: callout.normal,
      lines: where ? [`${callout.number}: ${said}`, `at ${where}`] : [`${callout.number}: ${said}`],
      outside: callout.value < lower || callout.value > upper,
    };
  }

  rowAt(at, normal) {
    return nearestSample(this.data, at, normal);
  }

  // Everything about one sample, in the frame of the file.
  sample(row) {
    const data = this.data, own = data.places[data.samplePlace[row]], value = data.sampleDeviation[row];
    const normal = Array.from(data.sampleNormals.subarray(3 * row, 3 * row + 3));
    const at = data.samplePoints3(row), [lower, upper] = stretched(own.lower, own.upper, this.stretch);
    return { row, at, value, normal, regions: own.regions, lower, upper, file: this.view.inFile(at) };
  }

  listen() {
    const { view } = this;
    view.addEventListener("over", (event) => this.look(event.detail, false));
    view.addEventListener("tap", (event) => this.look(event.detail, true));
    view.addEventListener("away", () => this.forget());
    view.addEventListener("middle", () => this.look(this.middle(), false, true));
    view.addEventListener("choose", () => this.look(this.middle(), true, true));
    view.addEventListener("key", (event) => {
      const acts = { n: () => this.step(1), p: () => this.step(-1), m: () => this.box?.click() };
      const act = acts[event.detail.key];
      if (!act) return;
      act();
      event.preventDefault();
    });
  }

  middle() {
    return { x: this.view.camera.width / 2, y: this.view.camera.height / 2 };
  }

  // keep: stay with it when the pointer leaves. aloud: for those who do not see it.
  look({ x, y }, keep, aloud = false) {
    if (this.kept !== null && !keep && !aloud) return;
    const met = this.view.pick(x, y);
    if (!met) {
      if (keep) this.kept = null;
      this.forget(aloud ? "Nothing in the middle of the view" : "");
      return;
    }
    const row = this.rowAt(met.at, met.normal);
    this.kept = keep ? row : aloud ? null : this.kept;
    this.tell(row, aloud || keep);
  }

  forget(aloud = "") {
    if (this.kept !== null && !aloud) {
      this.tell(this.kept, false);
      return;
    }
    this.kept = null;
    this.read.textContent = this.start;
    delete this.read.dataset.row;
    this.view.marks.point(null);
    if (aloud) this.view.said(aloud);
  }

  tell(row, aloud) {
    const one = this.sample(row), text = found(one.value, one.normal);
    const limit = `${this.stretch === 1 ? "limits" : "limits tried"} ${limits(one.lower, one.upper)}`;
    const parts = [["b", text]];
    if (!Number.isNaN(one.value)) {
      const { text: margin, verdict } = against(one.value, one.lower, one.upper, this.data.guard);
      parts.push(["span", `${margin}; ${limit}`], ["span", this.stretch === 1 ? verdict : ""]);
    }
    parts.push(["span", one.regions.join(", ")], ["span", place(one.file)]);
    const shown = parts.filter(([, words]) => words);
    this.read.replaceChildren(...shown.map(([name, words]) => Object.assign(document.createElement(name), { textContent: words })));
    Object.assign(this.read.dataset, { row, value: one.value });
    this.view.marks.point(one.at);
    if (aloud) this.view.said(shown.map(([, words]) => words).join(", "));
  }

  // Numbered places: buttons that turn the view to them.
  places() {
    for (const item of this.panel.querySelectorAll("[data-place]")) {
      const button = document.createElement("button"), wanted = item.dataset.place;
      Object.assign(button, { type: "button", className: "btn plain", textContent: wanted });
      button.setAttribute("aria-label", `Look at place ${wanted}`);
      button.addEventListener("click", () => this.visit(Number(wanted)));
      item.firstElementChild.replaceWith(button);
    }
  }

  visit(wanted) {
    const callout = this.data.callouts.find((one) => one.number === wanted);
    if (!callout) return;
    this.at = wanted;
    const at = this.fromFile(callout.at), normal = callout.normal ?? [0, 0, 1];
    this.view.face(at, normal);
    this.kept = this.rowAt(at, normal);
    this.tell(this.kept, true);
  }

  step(by) {
    const numbers = this.data.callouts.map((one) => one.number);
    if (!numbers.length) return;
    const here = numbers.indexOf(this.at);
    this.visit(numbers[(here + (here < 0 && by < 0 ? 0 : by) + numbers.length) % numbers.length]);
  }

  slider() {
    this.range = this.panel.querySelector("[data-limit]");
    const half = (this.data.upper - this.data.lower) / 2;
    const step = 10 ** Math.floor(Math.log10(half / 20));
    Object.assign(this.range, { min: step, step, max: Math.ceil((2.5 * half) / step) * step, value: half });
    this.half = half;
    this.range.addEventListener("input", () => {
      const value = Number(this.range.value);
      // A step beside the limits on file counts as them: they need not be a whole number of steps.
      this.stretch = Math.abs(value - half) < 0.5 * step ? 1 : value / half;
      this.show();
    });
    this.panel.querySelector("[data-on-file]").addEventListener("click", () => {
      this.range.value = half;
      this.stretch = 1;
      this.show();
      this.range.focus();
    });
  }

  toggle() {
    this.box = this.panel.querySelector("[data-unmeasured]");
    const values = this.data.sampleDeviation, blank = values.reduce((sum, value) => sum + Number.isNaN(value), 0);
    this.panel.querySelector("[data-blank]").textContent = share(blank / values.length);
    this.box.checked = true;
    this.box.addEventListener("change", () => {
      this.unmeasured = this.box.checked;
      this.view.said(this.unmeasured ? "What was not measured is shown" : "What was not measured is left out");
      this.show();
    });
  }

  // Share of the measured places inside limits stretched like this, and the worst of them: as the report counts them.
  tried(stretch = this.stretch) {
    const { sampleDeviation: values, samplePlace, places } = this.data;
    const own = places.map((one) => stretched(one.lower, one.upper, stretch));
    let measured = 0, inside = 0, worst = Infinity, row = -1;
    for (let i = 0; i < values.length; i += 1) {
      if (Number.isNaN(values[i])) continue;
      const [lower, upper] = own[samplePlace[i]], margin = Math.min(upper - values[i], values[i] - lower);
      measured += 1;
      if (margin >= 0) inside += 1;
      if (margin < worst) [worst, row] = [margin, i];
    }
    return { share: measured ? inside / measured : NaN, worst, row };
  }

  show() {
    const { data, view, stretch } = this, [lower, upper] = stretched(data.lower, data.upper, stretch);
    const { edges, decimals } = scale(lower, upper, data.guard);
    view.scene.look({ edges, stretch, unmeasured: this.unmeasured });
    view.marks.layers[0].toggleAttribute("hidden", stretch !== 1);
    this.legend(edges, decimals);
    const { share: inside, worst } = this.tried(), said = limits(lower, upper);
    const set = (name, words) => (this.panel.querySelector(`[data-${name}]`).textContent = words);
    set("tried", stretch === 1 ? `${said}, as on file` : said);
    const far = Number.isFinite(worst) ? `; the worst place lies ${worst < 0 ? "outside" : "inside"} by ${length(Math.abs(worst))}` : "";
    const wording = Number.isNaN(inside) ? "Nothing was measured." : `${share(inside)} of the measured surface ${stretch === 1 ? "lies" : "would lie"} inside${far}.`;
    set("outcome", wording);
    this.panel.querySelector("[data-outcome]").dataset.share = inside;
    this.range.setAttribute("aria-valuetext", `${said}${stretch === 1 ? ", as on file" : ""}: ${wording}`);
    const back = this.panel.querySelector("[data-on-file]");
    back.toggleAttribute("hidden", stretch === 1);
    if (this.kept !== null) this.tell(this.kept, false);
    view.ask();
  }

  // In pixels of the page, so that the lettering keeps its size: beside or, where it is narrow, above "not measured".
  legend(edges, decimals) {
    const root = this.panel.querySelector("[data-legend]"), bands = present(edges), room = root.clientWidth || 540;
    const beside = room >= 500, gap = beside ? 96 : 0, wide = Math.min(46, (room - gap - 2) / bands.length);
    const right = gap + bands.length * wide, high = beside ? 62 : 94;
    root.setAttribute("viewBox", `0 0 ${room} ${high}`);
    root.replaceChildren();
    const textures = { 0: "h-lo", 1: "h-dots", 7: "h-dots", 8: "h-hi" };
    const blank = draw("g", { transform: beside ? "" : "translate(0 66)" }, root);
    draw("rect", { x: 1, y: 2, width: 46, height: 20, class: "v3-blank" }, blank);
    for (let dot = 1; dot < 12; dot += 1) {
      const [x, y] = [3 + 42 * ((dot * 0.7548776662466927) % 1), 4 + 16 * ((dot * 0.5698402909980532) % 1)];
      draw("circle", { cx: x, cy: y, r: 0.95, class: "v3-stipple" }, blank);
    }
    draw("text", beside ? { x: 1, y: 39 } : { x: 56, y: 17 }, blank, "not measured");
    bands.forEach((band, k) => {
      const box = { x: gap + k * wide, y: 2, width: wide, height: 20 };
      draw("rect", { ...box, class: BANDS[band] }, root);
      if (band in textures) draw("rect", { ...box, fill: `url(#${textures[band]})` }, root);
      draw("rect", { ...box, class: "v3-frame" }, root);
      if (k === 0) return;
      draw("path", { class: "ax", d: `M${box.x} 22v5` }, root);
      draw("text", { x: box.x, y: 39, "text-anchor": "middle" }, root, number(edges[band - 1], decimals, true));
    });
    draw("text", { x: gap, y: 57, class: "strong" }, root, "too low");
    draw("text", { x: right, y: 57, class: "strong", "text-anchor": "end" }, root, "too high, mm");
    if (bands.includes(1)) draw("text", { x: (gap + right) / 2, y: 57, "text-anchor": "middle" }, root, "dotted: guard band");
    const first = mm(edges[0], decimals, true), last = mm(edges[7], decimals, true);
    root.setAttribute("aria-label", `Colours from ${first} or less, hatched falling, to ${last} or more, hatched rising.`);
  }
}
