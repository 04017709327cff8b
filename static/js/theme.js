// Day, Night or Same as phone. Runs in <head>, so that the page is painted once, in the right colours.
(() => {
  const root = document.documentElement;
  const phone = matchMedia("(prefers-color-scheme: dark)");
  let choice = "phone";

  const read = () => {
    try { choice = localStorage.getItem("theme") || choice; } catch { /* storage is blocked: this page only */ }
  };
  const paint = () => {
    const dark = choice === "phone" ? phone.matches : choice === "night";
    root.dataset.theme = dark ? "night" : "day";
  };
  const show = () => {
    const group = document.getElementById("theme");
    if (!group) return;
    for (const radio of group.elements) radio.checked = radio.value === choice;
    group.hidden = false;
    group.addEventListener("change", (event) => {
      choice = event.target.value;
      try { localStorage.setItem("theme", choice); } catch { /* storage is blocked: this page only */ }
      paint();
    });
  };

  read();
  paint();
  phone.addEventListener("change", paint);
  addEventListener("storage", () => { read(); paint(); });
  addEventListener("DOMContentLoaded", show);
})();
