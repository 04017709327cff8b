// From answers to the body of a report (version 1, inspections/forms/body.py) and to what is wrong with them: the same
// as inspections/forms/report.py makes and says of the page without scripts. self.Body = {make, wrong, facts, NEEDED}.
"use strict";
(() => {
  const { form, value } = Report;
  const { state, finding, label } = Answers;
  const MOST_FAULTS = 12;
  const MOST_ENDS = 2;
  const NEEDED = {
    unit: "Enter the unit number, 3 to 6 digits",
    end: "Choose which end",
    part: "Choose the part",
    sign: "Choose what is wrong",
    situation: "Choose how this end is now",
  };
  const field = (name) => form.elements[name];
  const two = (number) => String(number).padStart(2, "0");
  const letters = (rows) => [...new Set(rows.map((row) => row.end))];

  // ---- times

  // ISO 8601 by this phone's clock and offset, to the second.
  function iso(time) {
    const at = new Date(time);
    const offset = -at.getTimezoneOffset();
    const date = [at.getFullYear(), at.getMonth() + 1, at.getDate()].map(two).join("-");
    const clock = [at.getHours(), at.getMinutes(), at.getSeconds()].map(two).join(":");
    return `${date}T${clock}${offset < 0 ? "-" : "+"}${two(Math.floor(Math.abs(offset) / 60))}:${two(Math.abs(offset) % 60)}`;
  }

  // The last moment up to `made` when local clocks showed this; a clock time comes twice when clocks go back.
  function seen(made, shown) {
    const at = Date.parse(made);
    if (!shown) return iso(at);
    const [hour, minute] = shown.split(":").map(Number);
    const day = new Date(at);
    const moments = [0, 1].flatMap((back) => {
      const first = new Date(day.getFullYear(), day.getMonth(), day.getDate() - back, hour, minute);
      const second = new Date(first.getTime() + 3600_000);
      return second.getMinutes() === minute && second.getHours() === hour ? [second, first] : [first];
    });
    return iso(moments.find((moment) => moment <= at));
  }

  // ---- the body

  function mate(words) {
    const found = words.trim().match(/^([0-9A-Za-z]{1,12}?)[\s,-]*([ABab])(?:\s*end)?$/);
    return found ? `${found[1].toUpperCase()} ${found[2].toUpperCase()}` : words.trim();
  }

  function ends(rows, clean) {
    const made = new Map();
    for (const row of rows) {
      const joining = row.situation !== "U";
      const said = { mate: joining ? mate(row.mate ?? "") : "", stage: joining ? row.stage ?? "" : "" };
      const end = made.get(row.end) ?? { end: row.end, situation: row.situation, clean, mate: "", stage: "" };
      made.set(row.end, { ...end, mate: said.mate || end.mate, stage: said.stage || end.stage });
    }
    const other = value("other");
    if (other) {
      const end = made.has("A") ? "B" : "A";
      made.set(end, { end, situation: other, clean: true, mate: "", stage: "" });
    }
    return [...made.values()];
  }

  function asks(symptom) {
    return (form.querySelector(`input[name="sign"][value="${symptom}"]`)?.dataset.asks ?? "").split(" ").filter(Boolean);
  }

  function facts(row, symptom) {
    const told = asks(symptom).map((code) => [code, code === "seen-in" ? row.situation : row[`fact-${code}`] ?? ""]);
    return Object.fromEntries(told.filter(([, word]) => word && word !== "not known"));
  }

  function fault(row, found) {
    const symptom = found ? found.symptom : row.sign;
    const kind = found ? row.changed || "still there" : "first report";
    return {
      id: row.fault, end: row.end, part: row.part, symptom, kind, of: found ? found.ref : "",
      facts: kind === "not there now" ? {} : facts(row, symptom), note: (row.note ?? "").trim(), photos: row.photos,
    };
  }

  function place(text, known) {
    const typed = text.trim();
    return known.find(([, name]) => name.toLowerCase() === typed.toLowerCase())?.[0] ?? typed;
  }

  function make(rows) {
    const { me, facts: known, clean } = state;
    const made = field("made").value;
    return {
      v: 1, id: field("id").value, author: me.id, sent: made, occasion: value("occasion"),
      unit: Unit.tidy(field("unit").value, known), seen: seen(made, field("seen").value),
      place: place(field("place").value, known?.places ?? []), weather: value("weather"),
      note: clean ? field("note").value.trim() : "", ends: ends(rows, clean),
      faults: clean ? [] : rows.map((row) => fault(row, finding(row.sign))),
    };
  }

  // ---- what is wrong: [[question, words], …], "" for the report as a whole

  function ofOne(row) {
    const { clean, faults } = state;
    const asked = clean ? ["end", "situation"] : ["end", "part", "sign", "situation"];
    const said = faults.find((one) => one.end === row.end)?.situation;
    const missing = asked.filter((name) => !row[name] && !(name === "situation" && said));
    const wrong = missing.map((name) => [name, NEEDED[name]]);
    if (said && row.situation && row.situation !== said) {
      const words = label("situation", said).toLowerCase();
      const end = row.end === "?" ? "the end you can’t tell" : `the ${row.end} end`;
      wrong.push(["situation", `You said before that ${end} is ${words}. Choose that, or remove that fault`]);
    }
    return wrong;
  }

  function ofEnds(rows) {
    const named = letters(rows);
    if (named.length > MOST_ENDS) {
      return [["end", "A report is about two ends at most. Choose one you named, or send this one first"]];
    }
    if (!value("other") || (named.length === 1 && named[0] !== "?")) return [];
    const why = named.includes("?") ? "which end is the other cannot be told" : "both ends are in this report";
    return [["other", `The other end: ${why}. Choose “Not looked at”`]];
  }

  // What is wrong with the report whose last fault is `row` (null where no more is answered).
  function wrong(row) {
    const { faults, facts: known } = state;
    const found = row ? ofOne(row) : [];
    if (!Unit.tidy(field("unit").value, known)) found.unshift(["unit", NEEDED.unit]);
    if (field("seen").validity.badInput) found.push(["seen", "Enter the time you saw it, like 05:48"]);
    if (faults.length + Boolean(row) > MOST_FAULTS) {
      found.push(["", `A report holds ${MOST_FAULTS} faults. Send this one, then start another`]);
    }
    return found.length ? found : ofEnds(row ? [...faults, row] : faults);
  }

  self.Body = { make, wrong, facts, NEEDED };
})();
