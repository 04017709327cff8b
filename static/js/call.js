// A report typed in for a caller: only what can be wrong with the part that was named is offered, most used first, and
// "has it changed?" only for what was reported already. Without this script every answer is offered.
"use strict";
(() => {
  const form = document.getElementById("call-form");
  const all = (query) => [...form.querySelectorAll(query)];
  const value = (name) => form.querySelector(`input[name="${name}"]:checked`)?.value ?? "";

  function place({ dataset }, part) {
    const mine = dataset.for.split(" ").find((word) => word.startsWith(`${part}:`));
    return mine ? Number(mine.split(":")[1]) : NaN;
  }

  function show() {
    const part = value("part");
    const changed = form.querySelector("#div_id_changed");
    if (part) {
      const signs = all('input[name="sign"]');
      for (const group of all("#div_id_sign .group")) group.hidden = true;
      for (const radio of signs) {
        radio.parentElement.hidden = isNaN(place(radio, part));
        if (radio.parentElement.hidden) radio.checked = false;
      }
      const mine = signs.filter((radio) => !radio.parentElement.hidden).sort((a, b) => place(a, part) - place(b, part));
      for (const radio of mine) radio.closest(".answers").append(radio.parentElement);
    }
    if (changed) changed.hidden = !value("sign").startsWith("still:");
  }

  form.addEventListener("change", show);
  show();
})();
