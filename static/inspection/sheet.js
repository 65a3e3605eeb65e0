// Another role for a column, another line of headings: the sheet is shown anew at once. Without it a button does that.
"use strict";
document.querySelector("[data-sheet-form]")?.addEventListener("change", (event) => {
  const form = event.currentTarget;
  if (!form.elements.shown || !event.target.closest("#columns, [name=unit], [name=instrument], [name=measured_at], [name=serial]")) return;
  form.requestSubmit(form.querySelector('button[name="look"]'));
});
