// Says how far a shift pack is while it is made. Without this the form posts, and the PDF comes when it is done.
(() => {
  const form = document.getElementById("pack");
  if (!form || !window.ReadableStream) return;
  const told = document.getElementById("pack-told");
  const far = document.getElementById("pack-far");
  const said = document.getElementById("pack-said");
  const button = form.querySelector("button");
  const LINE_END = 10;
  let address = "";

  // The answer: lines "done total", then "pdf length" and so many bytes.
  async function read(body) {
    const reader = body.getReader();
    const parts = [];
    let length = -1, got = 0, waiting = new Uint8Array(0);
    for (;;) {
      const { done, value } = await reader.read();
      if (done) break;
      let bytes = value;
      if (length < 0) {
        bytes = new Uint8Array(waiting.length + value.length);
        bytes.set(waiting);
        bytes.set(value, waiting.length);
        for (let end = bytes.indexOf(LINE_END); end >= 0 && length < 0; end = bytes.indexOf(LINE_END)) {
          const [first, second] = new TextDecoder().decode(bytes.subarray(0, end)).split(" ");
          bytes = bytes.subarray(end + 1);
          if (first === "pdf") length = Number(second);
          else show(Number(first), Number(second));
        }
        if (length < 0) { waiting = bytes; continue; }
      }
      parts.push(bytes);
      got += bytes.length;
    }
    if (length < 0 || got !== length) throw new Error("cut short");
    return new Blob(parts, { type: "application/pdf" });
  }

  function show(done, total) {
    far.max = total;
    far.value = done;
    const cards = total / 2;
    const words = done <= cards ? `Setting out card ${done} of ${cards}.` : `Drawing card ${done - cards} of ${cards}.`;
    // Read out a few times only, not for every card.
    said.setAttribute("aria-live", done % Math.ceil(total / 4) ? "off" : "polite");
    said.textContent = words;
  }

  function ready(file) {
    URL.revokeObjectURL(address);
    address = URL.createObjectURL(file);
    const link = document.createElement("a");
    link.href = address;
    link.download = told.dataset.name;
    link.textContent = "Save the pack (PDF)";
    far.max = far.value = 1;
    said.setAttribute("aria-live", "polite");
    said.replaceChildren("The pack is made. ", link);
    link.focus();
  }

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (button.disabled) return;
    const data = new FormData(form);
    data.set("progress", "yes");
    button.disabled = true;
    told.hidden = false;
    far.removeAttribute("value");
    said.textContent = "Reading the jobs.";
    try {
      const answer = await fetch(form.action, { method: "POST", body: data, redirect: "manual", cache: "no-store" });
      if (answer.type === "opaqueredirect" || answer.status === 403) {
        said.textContent = "The pack was not made: sign in again, then make it.";
      } else if (!answer.ok) {
        said.textContent = "The pack was not made: the logbook could not do it. Try again.";
      } else {
        ready(await read(answer.body));
      }
    } catch {
      said.textContent = "The pack was not finished: the connection was lost. Make it again.";
    } finally {
      button.disabled = false;
      if (far.position < 0) far.value = 0;
    }
  });
})();
