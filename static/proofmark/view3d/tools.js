// The buttons around a view: seven views, nearer and farther, full screen, and back to the drawing.

export function tools(view, panel) {
  const { root } = panel, { stage } = view;
  const buttons = [...root.querySelectorAll("[data-go]")];
  for (const button of buttons) button.addEventListener("click", () => view.go(button.dataset.go));
  const marked = () => {
    for (const button of buttons) button.setAttribute("aria-pressed", String(button.dataset.go === view.name));
  };
  view.addEventListener("named", marked);
  marked();

  const acts = {
    nearer: () => view.zoom(1.25),
    farther: () => view.zoom(1 / 1.25),
    whole: () => view.whole(),
    full: () => full(root, stage, view),
    drawing: () => drawing(panel, true),
    turn: () => drawing(panel, false),
  };
  for (const button of root.querySelectorAll("[data-act]")) button.addEventListener("click", () => acts[button.dataset.act]());
  view.addEventListener("key", (event) => {
    if (event.detail.key !== "f") return;
    acts.full();
    event.preventDefault();
  });
  document.addEventListener("fullscreenchange", () => told(root, view));
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && root.classList.contains("v3-full")) full(root, stage, view);
  });
}

// The picture drawn on the server, or the view: one at a time.
function drawing(panel, still) {
  panel.still.hidden = !still;
  panel.live.hidden = still;
  panel.root.querySelector("[data-act=turn]").hidden = !still;
  panel.root.querySelector(still ? "[data-act=turn]" : "[data-stage]").focus();
  if (!still) panel.view.resize();
}

// Where the browser has no full screen for a part of a page, the view covers the page instead.
async function full(root, stage, view) {
  try {
    if (document.fullscreenElement) await document.exitFullscreen();
    else if (root.classList.contains("v3-full")) root.classList.remove("v3-full");
    else if (root.requestFullscreen) await root.requestFullscreen();
    else root.classList.add("v3-full");
  } catch {
    root.classList.toggle("v3-full");
  }
  told(root, view);
  stage.focus({ preventScroll: true });
}

function told(root, view) {
  const whole = Boolean(document.fullscreenElement) || root.classList.contains("v3-full");
  for (const button of root.querySelectorAll("[data-act=full]")) button.setAttribute("aria-pressed", String(whole));
  view.resize();
}
