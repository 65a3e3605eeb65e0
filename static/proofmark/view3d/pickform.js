// Places picked in a view fill in fields of a form. Typing works as well, and without WebGL it is the only way.
//
// The view:  <div data-view3d="…" data-picks="nominal">      any name for a view; a page may have several
// The form:  <… data-pick="nominal">                         a group of fields for one place, filled from that view
//              <input data-axis="x"> … "y", "z"              coordinates in mm, in the frame of the view's file
//              <input data-axis="nx"> … "ny", "nz"           optional: the outward normal of the surface there
//
// A group is filled when its field has the focus, or else the first that is still empty. Each filled group is shown in
// the view with its number, counted among the groups of that view. After a pick the fields hear "input" and "change".

const SNAP = 10; // px: a corner or the end of an edge this near is meant

class Picks {
  constructor(root, view) {
    Object.assign(this, { view, name: root.dataset.picks, status: root.querySelector("[data-pick-status]") });
    this.active = null;
    this.corners = view.data.lines ? cornersOf(view.data) : [];
    view.addEventListener("tap", (event) => this.pick(event.detail));
    view.addEventListener("choose", () => this.pick({ x: view.camera.width / 2, y: view.camera.height / 2 }));
    view.addEventListener("over", (event) => view.marks.point(this.found(event.detail)?.at ?? null));
    view.addEventListener("away", () => view.marks.point(null));
    document.addEventListener("focusin", (event) => {
      const group = event.target.closest?.(`[data-pick="${this.name}"]`);
      if (group) this.activate(group);
    });
    document.addEventListener("input", (event) => {
      if (event.target.closest?.("[data-pick]")) this.show();
    });
    this.activate(this.next());
    this.show();
  }

  groups() {
    return [...document.querySelectorAll(`[data-pick="${this.name}"]`)].filter((group) => !group.closest("[hidden], template"));
  }

  next() {
    return this.groups().find((group) => !valueOf(group)) ?? null;
  }

  activate(group) {
    this.active = group;
    for (const one of this.groups()) one.classList.toggle("picking", one === group);
    const number = this.groups().indexOf(group) + 1;
    if (this.status) this.status.textContent = number ? `Tap the part to fill in place ${number}.` : "All places are filled in. Press on a field to pick it anew.";
  }

  found({ x, y }) {
    const met = this.view.pick(x, y);
    if (!met) return null;
    const { camera } = this.view;
    let best = SNAP, near = null;
    for (const corner of this.corners) {
      const [u, v] = camera.place(corner), away = Math.hypot(u - x, v - y);
      if (away < best && this.view.sees(corner, null)) [best, near] = [away, corner];
    }
    return near ? { ...met, at: near } : met;
  }

  pick(where) {
    const met = this.found(where), group = this.active ?? this.next();
    if (!met || !group) {
      this.view.said(met ? "No field is left to fill. Press on one to pick it anew." : "Nothing lies there.");
      return;
    }
    const at = this.view.inFile(met.at);
    const values = { x: at[0], y: at[1], z: at[2], nx: met.normal[0], ny: met.normal[1], nz: met.normal[2] };
    for (const input of group.querySelectorAll("[data-axis]")) {
      const axis = input.dataset.axis;
      input.value = (Math.round(values[axis] * 1e4) / 1e4).toFixed(axis.length > 1 ? 4 : 2);
      for (const kind of ["input", "change"]) input.dispatchEvent(new Event(kind, { bubbles: true }));
    }
    this.view.said(`Place ${this.groups().indexOf(group) + 1}: ${this.view.placeWords(met.at)}`);
    this.activate(this.next());
    this.show();
  }

  show() {
    const { origin } = this.view.data;
    const labels = this.groups().flatMap((group, row) => {
      const at = valueOf(group);
      return at ? [{ number: row + 1, at: at.map((value, axis) => value - origin[axis]), normal: null, lines: [String(row + 1)], outside: false }] : [];
    });
    this.view.marks.clearLabels();
    this.view.marks.setLabels(labels);
    this.view.ask();
  }
}

// Coordinates typed or picked, a comma for a point is fine; null until all three are numbers.
function valueOf(group) {
  const at = ["x", "y", "z"].map((axis) => {
    const text = group.querySelector(`[data-axis=${axis}]`)?.value.trim().replace(",", ".").replace("\u2212", "-") ?? "";
    return text === "" ? NaN : Number(text);
  });
  return at.every(Number.isFinite) ? at : null;
}

// Ends of sharp edges where the edge does not simply go on.
function cornersOf({ vertices, lines }) {
  const ways = new Map();
  for (let i = 0; i < lines.length; i += 2) {
    const [a, b] = [lines[i], lines[i + 1]].map((row) => Array.from(vertices.subarray(3 * row, 3 * row + 3)));
    const away = b.map((value, axis) => value - a[axis]), size = Math.hypot(...away) || 1;
    for (const [end, sign] of [[a, 1], [b, -1]]) {
      const key = end.map((value) => value.toFixed(2)).join(" ");
      if (!ways.has(key)) ways.set(key, { at: end, ways: [] });
      ways.get(key).ways.push(away.map((value) => (sign * value) / size));
    }
  }
  const straight = ([u, v]) => u[0] * v[0] + u[1] * v[1] + u[2] * v[2] < -0.9;
  return [...ways.values()].filter(({ ways: out }) => !(out.length === 2 && straight(out))).map(({ at }) => at);
}

document.addEventListener("view3d", (event) => {
  if (event.target.dataset.picks) new Picks(event.target, event.target.view3d.view);
});
