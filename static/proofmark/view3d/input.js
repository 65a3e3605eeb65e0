// Mouse, touch and keyboard. One finger or button turns, two fingers or Shift move, the wheel zooms once the view is in
// use; elsewhere on the page everything scrolls as usual.

import { VIEWS } from "./camera.js";

const DEGREES = 0.4, STILL = 6, STEP = 15, PUSH = 40, CLOSER = 1.25;

export function listen(view) {
  const { stage } = view, fingers = new Map();
  let far = 0, tapped = true;

  const place = (event) => {
    const box = view.canvas.getBoundingClientRect();
    return { x: event.clientX - box.left, y: event.clientY - box.top };
  };

  stage.addEventListener("pointerdown", (event) => {
    if (event.target.closest("button, a, input")) return;
    if (event.button > 2) return;
    stage.setPointerCapture(event.pointerId);
    fingers.set(event.pointerId, place(event));
    if (fingers.size === 1) [far, tapped] = [0, true];
    else tapped = false;
    if (event.pointerType === "mouse") stage.classList.add("held");
  });

  stage.addEventListener("pointermove", (event) => {
    const before = fingers.get(event.pointerId), now = place(event);
    if (!before) {
      if (event.pointerType === "mouse" && !event.target.closest("button")) tell(view, "over", now);
      return;
    }
    const [x, y] = [now.x - before.x, now.y - before.y];
    far += Math.hypot(x, y);
    if (far <= STILL && fingers.size === 1) return;
    tapped = false;
    if (fingers.size === 1) {
      const moves = event.shiftKey || (event.buttons & 6) !== 0;
      if (moves) view.shift(x, y);
      else view.turn(x * DEGREES, y * DEGREES);
    } else if (fingers.size === 2) {
      const other = [...fingers].find(([id]) => id !== event.pointerId)[1];
      const wide = Math.hypot(before.x - other.x, before.y - other.y), wider = Math.hypot(now.x - other.x, now.y - other.y);
      view.shift(x / 2, y / 2);
      if (wide > 10) view.zoom(wider / wide, (now.x + other.x) / 2, (now.y + other.y) / 2);
    }
    fingers.set(event.pointerId, now);
  });

  for (const ending of ["pointerup", "pointercancel"]) {
    stage.addEventListener(ending, (event) => {
      if (!fingers.delete(event.pointerId)) return;
      stage.classList.remove("held");
      if (ending === "pointerup" && tapped && fingers.size === 0) tell(view, "tap", place(event));
    });
  }
  stage.addEventListener("pointerleave", (event) => {
    if (event.pointerType === "mouse" && !fingers.size) tell(view, "away");
  });
  stage.addEventListener("contextmenu", (event) => event.preventDefault());
  stage.addEventListener("dblclick", (event) => {
    const { x, y } = place(event);
    view.zoom(1.6, x, y);
  });

  // Until somebody has pressed on the view the wheel belongs to the page.
  stage.addEventListener("wheel", (event) => {
    const ours = event.ctrlKey || stage.contains(document.activeElement) || document.fullscreenElement;
    if (!ours) return;
    event.preventDefault();
    const { x, y } = place(event), lines = event.deltaMode === 1 ? 16 : 1;
    view.zoom(Math.exp(-event.deltaY * lines * (event.ctrlKey ? 0.01 : 0.0015)), x, y);
  }, { passive: false });

  stage.addEventListener("keydown", (event) => {
    if (event.target !== stage || event.altKey || event.ctrlKey || event.metaKey) return;
    if (key(view, event)) event.preventDefault();
  });
}

function key(view, event) {
  const ways = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  if (event.key in ways) {
    const [x, y] = ways[event.key];
    if (event.shiftKey) view.shift(x * PUSH, y * PUSH);
    else view.turn(x * STEP, y * STEP);
    tell(view, "middle");
    return true;
  }
  if (event.key === "+" || event.key === "=") view.zoom(CLOSER);
  else if (event.key === "-" || event.key === "_") view.zoom(1 / CLOSER);
  else if (event.key === "0") view.go("pictorial");
  else if (VIEWS[Number(event.key) - 1]) view.go(VIEWS[Number(event.key) - 1].name);
  else if (event.key === "Enter" || event.key === " ") tell(view, "choose");
  else if (event.key === "Escape") tell(view, "away");
  else return tell(view, "key", { key: event.key.toLowerCase() });
  if (event.key === "+" || event.key === "-" || event.key === "=" || event.key === "_") tell(view, "middle");
  return true;
}

// Events of the view: over and tap with a place on the stage, px; away; middle and choose: whatever lies in the middle of
// the stage; key: one that is not used here. Returns whether somebody took it.
function tell(view, what, detail = null) {
  return !view.dispatchEvent(new CustomEvent(what, { detail, cancelable: true }));
}
