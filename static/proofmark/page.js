// What makes pages quicker to use. Every page works without it; the server checks everything again.
"use strict";

// Paper or blueprint at once, without loading the page again.
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (!form.matches("[data-theme-form]")) return;
  event.preventDefault();
  const body = new FormData(form, event.submitter);
  document.documentElement.dataset.theme = body.get("theme");
  for (const button of form.querySelectorAll("button")) if (button !== event.submitter) button.focus();
  fetch(form.action, { method: "POST", body, redirect: "manual" });
});

// One press, one record: the button shows that it is busy and takes no second press.
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (event.defaultPrevented || form.method !== "post") return;
  if (form.dataset.sent) {
    event.preventDefault();
    return;
  }
  form.dataset.sent = "1";
  const button = event.submitter || form.querySelector("button");
  if (!button) return;
  // After this turn, so that the button's own name and value are still sent.
  setTimeout(() => {
    button.setAttribute("aria-disabled", "true");
    button.setAttribute("aria-busy", "true");
    if (button.dataset.busy) {
      button.dataset.said = button.textContent;
      button.textContent = button.dataset.busy + " …";
    }
  });
});

// Coming back to a page from the browser's memory, its forms can be sent again.
window.addEventListener("pageshow", (event) => {
  if (!event.persisted) return;
  for (const form of document.querySelectorAll("form[data-sent]")) delete form.dataset.sent;
  for (const button of document.querySelectorAll("[aria-busy]")) {
    button.removeAttribute("aria-busy");
    button.removeAttribute("aria-disabled");
    if (button.dataset.said) button.textContent = button.dataset.said;
  }
});

// A form that came back with errors: start at the list of them.
const notSaved = document.getElementById("not-saved");
if (notSaved) notSaved.focus();
