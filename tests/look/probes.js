// What is asked of a page. Each probe gives the faults it found, in words; an empty list is good.
({
  fieldFaults() {
    const faults = [], ids = new Set();
    const say = (words, node) => faults.push(`${words}: ${node.outerHTML.slice(0, 120)}`);
    const all = (selector, root = document) => [...root.querySelectorAll(selector)];
    for (const node of all("[id]")) {
      if (ids.has(node.id)) say("id used twice", node);
      ids.add(node.id);
    }
    for (const name of ["for", "aria-describedby", "aria-labelledby", "aria-controls"])
      for (const node of all(`[${name}]`)) {
        const words = node.getAttribute(name).split(/\s+/).filter(Boolean);
        if (!words.length) say(`empty ${name}`, node);
        for (const id of words) if (!ids.has(id)) say(`${name} leads nowhere`, node);
      }
    for (const link of all(".problems a"))
      if (!document.querySelector(link.getAttribute("href"))?.matches("input, select, textarea"))
        say("summary link leads to no field", link);
    for (const node of all("input[type=submit], input[type=button], input[type=reset]")) say("not a button", node);
    for (const node of all("legend[for]")) say("for on a legend", node);
    for (const node of all("label, legend")) if (node.textContent.includes("*")) say("asterisk in a name", node);
    for (const form of all("main form")) if (!form.noValidate) say("the browser checks first", form);
    for (const input of all("input:not([type=hidden]), select, textarea"))
      if (!input.labels.length && !input.getAttribute("aria-label")) say("no label", input);
    const before = (a, b) => a.compareDocumentPosition(b) & Node.DOCUMENT_POSITION_FOLLOWING;
    for (const field of all(".field")) {
      const help = field.querySelector(".help"), error = field.querySelector(".error");
      const input = field.querySelector("input, select, textarea");
      const described = [field, ...all("[aria-describedby]", field)]
        .map((node) => node.getAttribute("aria-describedby")).find(Boolean) || "";
      const notes = [help, error].filter(Boolean);
      if (help && error && !before(help, error)) say("error before help", field);
      for (const note of notes) if (!before(note, input)) say("note after its input", field);
      if (described !== notes.map((note) => note.id).join(" ")) say("described by something else", field);
      if (input.getAttribute("aria-invalid") === "true" && !error) say("wrong without a message", field);
    }
    for (const error of all(".error, .problems li")) {
      const box = error.getBoundingClientRect(), style = getComputedStyle(error);
      const shown = error.checkVisibility({ visibilityProperty: true, opacityProperty: true });
      if (!shown || box.height < 16 || box.right < 1 || style.clipPath !== "none") say("error not visible", error);
    }
    return faults;
  },

  // Targets under `least` px high (answers, photo buttons and buttons in the page: under `answers`).
  smallTargets(least, answers) {
    const big = "main .answer label, main .pick label, main button";
    const partOfLabel = "[type=radio], [type=checkbox], [type=file], [type=hidden]";
    const inText = (node) => node.matches("p a, dd a") && getComputedStyle(node).display === "inline";
    return [...document.querySelectorAll("a, button, summary, select, textarea, input, .answer label, .pick label")]
      .filter((node) => node.checkVisibility() && !node.matches(`.skip, ${partOfLabel}`) && !inText(node))
      .map((node) => [node, node.getBoundingClientRect(), node.matches(big) ? answers : least])
      .filter(([, box, need]) => box.height < need || box.width < 44)
      .map(([node, box, need]) => `${box.width}x${box.height}, not ${need}: ${node.outerHTML.slice(0, 100)}`);
  },

  answerHeights() {
    return [...document.querySelectorAll("main .answer label")].map((label) => label.getBoundingClientRect().height);
  },

  closeAnswers() {
    return [...document.querySelectorAll(".answers")].flatMap((group) => {
      const boxes = [...group.querySelectorAll("label")].map((label) => label.getBoundingClientRect());
      return boxes.slice(1)
        .map((box, i) => Math.max(box.top - boxes[i].bottom, box.left - boxes[i].right))
        .filter((gap) => gap < 7.99).map((gap) => `gap of ${gap} px`);
    });
  },

  // Contrast of every text pair on the page: how many, the least, and those under `least`.
  contrast(least) {
    const numbers = (colour) => (colour.match(/[\d.]+/g) || []).map(Number);
    const clear = (colour) => numbers(colour)[3] === 0;
    const light = (colour) => numbers(colour).slice(0, 3).map((v) => v / 255)
      .map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4))
      .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
    const ratio = (a, b) => {
      const [dark, bright] = [light(a), light(b)].sort((m, n) => m - n);
      return (bright + 0.05) / (dark + 0.05);
    };
    const behind = (node) => {
      while (node.parentElement && clear(getComputedStyle(node).backgroundColor)) node = node.parentElement;
      return getComputedStyle(node).backgroundColor;
    };
    const seen = {}, walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    while (walker.nextNode()) {
      const node = walker.currentNode.parentElement;
      if (!walker.currentNode.data.trim() || node.closest("script, svg") || !node.checkVisibility()) continue;
      const pair = [getComputedStyle(node).color, behind(node)];
      seen[pair.join(" on ")] = ratio(...pair);
    }
    const low = Object.entries(seen).filter(([, value]) => value < least);
    return { pairs: Object.keys(seen).length, least: Math.min(...Object.values(seen)), low };
  },

  thinEdges() {
    return [...document.querySelectorAll("main :is(input:not([type=hidden], [type=file]), select, textarea, .answer label)")]
      .filter((node) => parseFloat(getComputedStyle(node).borderTopWidth) < 2).map((node) => node.outerHTML.slice(0, 100));
  },

  sideways() {
    const width = document.documentElement.clientWidth, over = document.documentElement.scrollWidth - width;
    if (over <= 0) return [];
    const wide = [...document.body.querySelectorAll("*")].filter((n) => n.getBoundingClientRect().right > width + 1);
    return [`${over} px too wide`, ...wide.map((node) => node.outerHTML.slice(0, 80))];
  },

  smallText(least) {
    return [...document.body.querySelectorAll("*")]
      .filter((n) => n.checkVisibility() && !n.closest("svg, script") && parseFloat(getComputedStyle(n).fontSize) < least)
      .map((node) => node.outerHTML.slice(0, 80));
  },

  cutOff() {
    return [...document.querySelectorAll("button, label, .band, .tag, .sendbar, a, input")]
      .filter((n) => n.checkVisibility() && !n.closest(".visually-hidden, .pick"))
      .filter((n) => n.scrollHeight > n.clientHeight + 2 && getComputedStyle(n).overflowY !== "visible")
      .map((node) => node.outerHTML.slice(0, 80));
  },

  rails() {
    return [...document.querySelectorAll(".band")].map((band) => getComputedStyle(band, "::before"))
      .map((rail) => (rail.content === "none" ? "empty" : rail.borderLeftStyle));
  },

  // Where the focus is, and what a person would see of it.
  focused() {
    const node = document.activeElement;
    const drawn = node.matches(".answer input, .pick input") ? node.nextElementSibling : node;
    const box = drawn.getBoundingClientRect(), style = getComputedStyle(drawn);
    const bar = document.querySelector(".sendbar"), over = bar?.contains(node) ? null : bar?.getBoundingClientRect();
    return {
      what: node === document.body ? "BODY" : node.id || node.textContent.trim(),
      outline: style.outlineStyle === "none" ? 0 : parseFloat(style.outlineWidth),
      hidden: Boolean(over) && box.bottom > over.top + 1 && box.top < over.bottom - 1,
      top: box.top + scrollY,
    };
  },
})
