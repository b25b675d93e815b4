"use strict";
// What is wrong with a plan is said at its fields: as they are left, and all at once on saving.
(() => {
  const form = document.querySelector("form.plan");
  const left = new Set([...form.elements].filter((one) => one.value).map((one) => one.name)); // filled in
  let faults = {}; // sentences by field
  let asked = false; // to save

  function show() {
    for (const input of form.elements) {
      const place = document.getElementById("fault-" + input.name);
      if (!place) continue;
      const said = (asked || left.has(input.name)) && faults[input.name];
      place.textContent = said || "";
      if (said) input.setAttribute("aria-invalid", "true");
      else input.removeAttribute("aria-invalid");
    }
  }
  form.addEventListener("change", (event) => {
    left.add(event.target.name);
    show();
  });
  form.addEventListener("plan-faults", (event) => {
    faults = event.detail.fields;
    const saving = event.target === form;
    asked = asked || saving;
    show();
    const first = form.querySelector("[aria-invalid]");
    if (saving && first) first.focus();
  });
})();
