// Shows how far a large upload is. Without this script the form uploads in the usual way.
"use strict";
document.addEventListener("submit", (event) => {
  const form = event.target.closest("form[data-upload]");
  const file = form && form.querySelector("input[type=file]");
  if (!file || !file.files.length || event.defaultPrevented) return;
  const box = form.querySelector("[data-upload-progress]");
  const said = box.querySelector("[data-upload-said]");
  const request = new XMLHttpRequest();
  event.preventDefault();
  box.hidden = false;
  request.upload.addEventListener("progress", (step) => {
    if (!step.lengthComputable) return;
    box.querySelector("progress").value = (100 * step.loaded) / step.total;
    said.textContent =
      step.loaded < step.total
        ? `${Math.round(step.loaded / 1e6)} of ${Math.round(step.total / 1e6)}\u00a0MB`
        : "Received; being checked.";
  });
  request.addEventListener("load", () => {
    // The answer is a page: the scan's own, or this one with what to put right.
    if (request.responseURL && new URL(request.responseURL).pathname !== location.pathname) {
      location.assign(request.responseURL);
      return;
    }
    const answer = new DOMParser().parseFromString(request.responseText, "text/html").querySelector("main");
    if (!answer) {
      location.reload();
      return;
    }
    document.querySelector("main").replaceWith(answer);
    document.getElementById("not-saved")?.focus();
  });
  request.addEventListener("error", () => {
    said.textContent = "The connection broke. Nothing was saved: try again.";
    delete form.dataset.sent;
    for (const button of form.querySelectorAll("[aria-busy]")) {
      button.removeAttribute("aria-busy");
      button.removeAttribute("aria-disabled");
      if (button.dataset.said) button.textContent = button.dataset.said;
    }
  });
  request.open("POST", form.action);
  // The button's own name and value go along, as they do without this script.
  request.send(new FormData(form, event.submitter));
});
