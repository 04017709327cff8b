// Two helpers for form fields: show a password while typing it, and say which photos were picked.
for (const button of document.querySelectorAll("button[data-shows]")) {
  const input = document.getElementById(button.dataset.shows);
  button.hidden = false;
  button.addEventListener("click", () => {
    const show = input.type === "password";
    input.type = show ? "text" : "password";
    button.textContent = show ? "Hide what I typed" : "Show what I typed";
  });
  // A shown password must not be sent as plain text that the browser may remember.
  input.form?.addEventListener("submit", () => { input.type = "password"; });
}

for (const picker of document.querySelectorAll(".picker")) {
  picker.addEventListener("change", () => {
    const files = [...picker.querySelectorAll("input[type=file]")].flatMap((input) => [...input.files]);
    const names = files.map((file) => file.name).join(", ");
    picker.querySelector(".picked").textContent = files.length ? `Picked: ${names}` : "Nothing picked yet";
  });
}
