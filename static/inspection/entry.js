// A measurement sheet by keyboard: Enter goes on to the next value, cells pasted into a value fill the lines below it.
// Without this script Enter checks the sheet, and cells are pasted into the box at its foot.
"use strict";
(() => {
  const form = document.querySelector("[data-entry-form]");
  if (!form) return;
  const boxes = () => [...form.querySelectorAll("input[data-entry]")];
  const press = (name) => form.requestSubmit(form.querySelector(`button[name="${name}"]`));

  form.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || !event.target.matches("input[data-entry]")) return;
    event.preventDefault();
    const all = boxes();
    const next = all[all.indexOf(event.target) + (event.shiftKey ? -1 : 1)];
    if (next) {
      next.focus();
      next.select();
    } else if (!event.shiftKey) {
      form.querySelector('button[name="save"]').focus();
    }
  });

  form.addEventListener("paste", (event) => {
    if (!event.target.matches("input[data-entry]")) return;
    const text = event.clipboardData.getData("text/plain");
    if (!/[\t\n]/.test(text.trim())) return;
    event.preventDefault();
    form.elements.paste.value = text;
    form.elements.paste_from.value = event.target.name.split("-")[1];
    press("fill");
  });

  // Another reading: a box more in the line, without asking the server.
  form.addEventListener("click", (event) => {
    const button = event.target.closest("[data-entry-more]");
    if (!button) return;
    const fields = button.parentElement.querySelectorAll(".field");
    if (fields.length >= 30) return;
    event.preventDefault();
    const made = fields[fields.length - 1].cloneNode(true);
    const input = made.querySelector("input");
    const number = fields.length + 1;
    const base = `value-${button.value}`;
    input.name = `${base}-${number}`;
    input.id = `id_${base}-${number}`;
    input.value = "";
    input.removeAttribute("value");
    const label = made.querySelector("label");
    label.htmlFor = input.id;
    label.textContent = `${label.textContent.split(", reading ")[0]}, reading ${number}`;
    made.classList.remove("bad");
    button.before(made);
    input.focus();
  });

  // Another unit for all lengths: the limits are written anew, what was typed stays.
  form.elements.unit.addEventListener("change", () => press("check"));

  const pasted = document.getElementById("pasted");
  if (pasted) pasted.focus();
})();
