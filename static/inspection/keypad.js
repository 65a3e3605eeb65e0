// Big keys beside a number box, for tablets. The box works without them.
for (const pad of document.querySelectorAll("[data-keypad]")) {
  const box = document.getElementById(pad.dataset.keypad);
  if (!box) continue;
  pad.hidden = false;
  pad.addEventListener("click", (event) => {
    const key = event.target.closest("[data-key]")?.dataset.key;
    if (!key) return;
    box.value = key === "back" ? box.value.slice(0, -1) : box.value + key;
    box.dispatchEvent(new Event("input", { bubbles: true }));
  });
}
