// Brings the three-dimensional views of a page to life. Where there is no WebGL the picture stays, and a sentence says so.

import { load } from "./payload.js";

const NO_GL = "This browser cannot draw in three dimensions here (WebGL is off or missing), so the drawing stays.";
const NO_FILE = "The three-dimensional view could not be fetched. The drawing stays; load the page again to try once more.";
const LOST = "The browser has ended the three-dimensional view to free memory. Load the page again to turn the part.";

export function glWorks() {
  try {
    const test = document.createElement("canvas").getContext("webgl2");
    test?.getExtension("WEBGL_lose_context")?.loseContext();
    return Boolean(test);
  } catch {
    return false;
  }
}

class Panel {
  constructor(root) {
    this.root = root;
    this.still = root.querySelector("[data-still]");
    this.live = root.querySelector("[data-live]");
    this.note = root.querySelector("[data-note]");
    this.status = root.querySelector("[data-status]");
    this.bar = root.querySelector("progress");
    this.turn = root.querySelector("[data-act=turn]");
    root.dataset.state = "waiting";
  }

  async start() {
    if (this.root.dataset.state !== "waiting") return;
    this.root.dataset.state = "loading";
    if (!glWorks()) return this.stay(NO_GL, "no-webgl");
    this.bar.hidden = false;
    let data, parts;
    try {
      // The library is large: it comes beside the part, not before it.
      [data, ...parts] = await Promise.all([
        load(this.root.dataset.view3d, (share) => (this.bar.value = 90 * share)),
        import("./view.js"),
        import("./reading.js"),
        import("./tools.js"),
      ]);
    } catch (error) {
      console.warn("The three-dimensional view:", error);
      return this.stay(NO_FILE, "failed");
    }
    try {
      this.show(data, ...parts);
    } catch (error) {
      console.warn("The three-dimensional view:", error);
      this.view?.close();
      this.stay(NO_GL, "no-webgl");
    }
  }

  show(data, { View }, { Reading }, { tools }) {
    this.bar.value = 95;
    this.live.hidden = false;
    const view = new View(this.root.querySelector("[data-stage]"), data, (text) => (this.status.textContent = text));
    this.view = view;
    if (data.deviation) this.reading = new Reading(view, this.root);
    tools(view, this);
    view.addEventListener("lost", () => {
      view.close();
      this.stay(LOST, "lost");
    });
    view.draw();
    this.still.hidden = this.bar.hidden = this.turn.hidden = true;
    this.root.dataset.state = "ready";
    // When the picture is on the screen, ms since the page was asked for.
    requestAnimationFrame(() => requestAnimationFrame(() => (this.root.dataset.painted = Math.round(performance.now()))));
    // For other scripts of the page: a form that is filled in by picking.
    this.root.view3d = { view, reading: this.reading };
    this.root.dispatchEvent(new Event("view3d", { bubbles: true }));
  }

  // The drawing stays, and why.
  stay(sentence, state) {
    this.live.hidden = true;
    this.still.hidden = false;
    this.bar.hidden = true;
    this.note.textContent = sentence;
    this.note.hidden = false;
    this.root.dataset.state = state;
  }
}

for (const root of document.querySelectorAll("[data-view3d]")) {
  const panel = new Panel(root);
  if (root.dataset.when === "asked" || navigator.connection?.saveData) {
    panel.turn.hidden = false;
    panel.turn.addEventListener("click", () => panel.start(), { once: true });
    continue;
  }
  const seen = new IntersectionObserver((entries) => {
    if (!entries.some((entry) => entry.isIntersecting)) return;
    seen.disconnect();
    panel.start();
  }, { rootMargin: "200px" });
  seen.observe(root);
}
