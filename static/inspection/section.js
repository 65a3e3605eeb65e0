// A place tapped in the view of a scan: sections through it are one press away. Without WebGL places are typed.

const AXES = ["x", "y", "z"];

function offer(view, read) {
  const bar = document.createElement("p"), said = document.createElement("span");
  Object.assign(bar, { className: "row section-here", hidden: true });
  said.textContent = "Section through here, across";
  bar.append(said);
  let at = null;
  for (const axis of AXES) {
    const button = Object.assign(document.createElement("button"), { type: "button", className: "btn plain", textContent: axis });
    button.setAttribute("aria-label", `Section through here, across ${axis}`);
    button.addEventListener("click", () => cut(axis, at));
    bar.append(button);
  }
  read.after(bar);
  const take = ({ x, y }) => {
    const met = view.pick(x, y);
    bar.hidden = !met;
    if (!met) return;
    at = view.inFile(met.at).map((value) => value.toFixed(2));
    fill(at);
  };
  view.addEventListener("tap", (event) => take(event.detail));
  view.addEventListener("choose", () => take({ x: view.camera.width / 2, y: view.camera.height / 2 }));
}

// The form is fetched anew with each section: it is looked up each time.
function fill(at) {
  const form = document.querySelector(".section-form");
  AXES.forEach((axis, row) => (form.elements[`p${axis}`].value = at[row]));
  return form;
}

function cut(axis, at) {
  const form = fill(at);
  form.elements.cut.value = axis;
  form.dataset.fromView = "";
  form.requestSubmit();
}

// The address names the section, so that it can be kept or sent; what is new is read out.
document.addEventListener("htmx:afterSwap", (event) => {
  const zone = document.getElementById("section");
  if (event.detail.target.id !== "section" || !zone) return;
  // Asked for in the view, far above: the section comes into sight.
  if (event.detail.requestConfig.elt.matches("[data-from-view]")) (zone.querySelector(".section-cut") ?? zone).scrollIntoView();
  history.replaceState(history.state, "", zone.dataset.address);
  zone.querySelector("#not-saved, [data-said]")?.focus({ preventScroll: true });
});

document.addEventListener("view3d", (event) => {
  const { view, reading } = event.target.view3d, read = event.target.querySelector("[data-read]");
  if (reading && read && document.querySelector(".section-form")) offer(view, read);
});
