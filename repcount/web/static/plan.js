"use strict";
// A plan by touch: beads for reps, chips for movements, a total that moves. The fields are what
// counts: all that is tapped is written into them, and what is typed moves the beads. What is wrong is
// said at its field: as it is left, and all at once on saving.
(() => {
  const form = document.querySelector("form.plan");
  const field = (name) => form.elements[name];
  const left = new Set([...form.elements].filter((one) => one.value).map((one) => one.name)); // filled in
  let faults = {}; // sentences by field
  let asked = false; // to save

  function show() {
    for (const input of form.elements) {
      const place = input.name && document.getElementById("fault-" + input.name);
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
  // A plan that was saved is opened anew: the place stays.
  const KEPT = "plan-saved";
  form.addEventListener("htmx:beforeOnLoad", (event) => {
    if (event.detail.elt !== form || event.detail.xhr.status !== 204) return;
    sessionStorage.setItem(KEPT, String(scrollY));
  });
  const saved = sessionStorage.getItem(KEPT);
  sessionStorage.removeItem(KEPT);
  form.addEventListener("input", (event) => { if (event.isTrusted) document.getElementById("saved").textContent = ""; });
  if (saved !== null) {
    document.getElementById("saved").textContent = "Saved.";
    window.addEventListener("load", () => scrollTo({ top: Number(saved), behavior: "instant" }), { once: true });
  }

  if (field("toml")) { // written as text
    document.getElementById("toml-file").addEventListener("change", async (event) => {
      const [file] = event.target.files;
      if (!file) return;
      field("toml").value = await file.text();
      field("toml").dispatchEvent(new Event("input", { bubbles: true }));
    });
    return;
  }

  function put(name, value) {
    if (field(name).value === String(value)) return;
    field(name).value = value;
    field(name).dispatchEvent(new Event("input", { bubbles: true }));
  }

  // Movements and reps ---------------------------------------------------------------------------

  const ownRounds = form.dataset.rounds ? JSON.parse(form.dataset.rounds) : null;
  const parts = [...form.querySelectorAll(".part")];
  const numberOf = (part) => parts.indexOf(part) + 1;
  const reps = (number) => Math.min(1000, Math.max(0, parseInt(field("reps" + number).value, 10) || 0));
  const rounds = () => (ownRounds ? ownRounds.length : Math.min(200, Math.max(1, parseInt(field("rounds").value, 10) || 1)));
  // The movements of one round: [name, reps].
  const movements = (round) => (ownRounds ? ownRounds[round] : parts.map((part, index) => [field("movement" + (index + 1)).value, reps(index + 1)]).filter(([name, count]) => name && count));
  let current = null; // the row that was added last
  let named = Boolean(field("name").value); // by a person

  function arrange() {
    const used = parts.map((part, index) => Boolean(field("movement" + (index + 1)).value || field("reps" + (index + 1)).value));
    parts.forEach((part, index) => {
      const open = used[index] || (index === 0 && !used.some(Boolean)) || part.contains(document.activeElement) || part.querySelector("[aria-invalid]");
      part.hidden = !open;
      part.querySelector(".drop").hidden = !used[index];
      part.querySelector(".quick").hidden = part !== current;
    });
    if (!ownRounds) {
      document.getElementById("chips").hidden = used.every(Boolean);
      document.getElementById("chips-of").textContent = "Add movement " + (used.indexOf(false) + 1) + " of a round";
    }
    if (named || ownRounds) return;
    const names = movements(0).map(([name, count]) => count + " " + name);
    field("name").value = names.length ? rounds() + (rounds() === 1 ? " round: " : " rounds: ") + names.join(", ") : "";
  }
  field("name").addEventListener("input", () => { named = true; });

  form.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button) return;
    if (button.dataset.step) {
      const name = button.dataset.for;
      put(name, Math.max(1, (parseInt(field(name).value, 10) || 0) + Number(button.dataset.step)));
    } else if (button.dataset.reps) {
      put("reps" + numberOf(button.closest(".part")), button.dataset.reps);
    } else if (button.dataset.movement) {
      const free = parts.find((part, index) => !field("movement" + (index + 1)).value);
      if (!free) return;
      current = free;
      if (field("rounds").value === "") put("rounds", 3);
      put("movement" + numberOf(free), button.dataset.movement);
    } else if (button.classList.contains("drop")) {
      const rest = parts.slice(numberOf(button.closest(".part")));
      for (const part of rest) {
        for (const name of ["movement", "reps"]) field(name + (numberOf(part) - 1)).value = field(name + numberOf(part)).value;
      }
      field("movement" + parts.length).value = "";
      current = null;
      put("reps" + parts.length, "");
      changed();
    }
  });
  for (const part of parts) {
    part.addEventListener("focusin", (event) => {
      if (event.target.closest(".stepped, .quick")) current = part;
      arrange();
    });
  }

  // Beads ----------------------------------------------------------------------------------------

  const MOST_BEADS = 150; // of one string: more are typed
  const MOST_STRINGS = 12;
  const PITCH = 44; // pixels from bead to bead
  const beads = document.getElementById("beads");
  const apart = document.getElementById("apart");
  const sum = (all) => all.reduce((done, [, count]) => done + count, 0);
  let shown = ""; // movements and pattern as the beads have them
  let before = []; // movements by round as they were when the pattern last fitted

  // Where the bar goes down by a pattern: after how many reps of the round; null where it does not fit.
  function marksOf(text, parts) {
    const marks = new Set();
    let done = 0;
    const sets = text.split("|");
    for (const [index, set] of sets.entries()) {
      for (const term of set.split("+")) {
        if (!/^\s*\d+\s*$/.test(term)) return null;
        done += Number(term);
      }
      if (index < sets.length - 1) marks.add(done);
    }
    return done === sum(parts) ? marks : null;
  }
  function written(parts, marks) {
    const whole = sum(parts);
    let text = "", done = 0, run = 0;
    for (const [, count] of parts) {
      for (let number = 1; number <= count; number++) {
        done++;
        run++;
        const cut = done < whole && marks.has(done);
        if (!cut && number < count) continue;
        text += run + (done === whole ? "" : cut ? " | " : "+");
        run = 0;
      }
    }
    return text;
  }
  const texts = () => field("pattern").value.split(/[;\n]/).map((one) => one.trim()).filter(Boolean);
  const patternOf = (round) => (texts().length > 1 ? texts()[round] : texts()[0]) || "";

  // What the pattern becomes where movements change under it: each break stays after its rep.
  function moved() {
    const now = Array.from({ length: ownRounds || texts().length > 1 ? rounds() : 1 }, (_, round) => movements(round));
    const fitted = texts().length && now.every((one, round) => before[round] && marksOf(patternOf(round), before[round]));
    if (fitted && JSON.stringify(now) !== JSON.stringify(before.slice(0, now.length)) && now.every(sum)) {
      put("pattern", now.map((one, round) => {
        const kept = new Set();
        let was = 0;
        before[round].forEach(([, count], index) => {
          const start = sum(one.slice(0, index));
          for (const mark of marksOf(patternOf(round), before[round])) {
            const here = mark - was;
            if (here > 0 && here <= count && one[index] && Math.min(here, one[index][1]) > 0 && here <= one[index][1]) kept.add(start + here);
          }
          was += count;
        });
        return written(one, kept);
      }).join("; "));
    }
    before = now;
  }

  function string(round, all) {
    const parts = movements(round);
    const marks = marksOf(patternOf(round), parts) || new Set();
    const place = document.createElement("div");
    place.dataset.round = round;
    place.setAttribute("role", "group");
    place.setAttribute("aria-label", (all ? "Every round" : "Round " + (round + 1)) + ": where the bar goes down");
    if (!all) place.insertAdjacentHTML("beforeend", '<h3></h3>');
    if (!all) place.firstChild.textContent = "Round " + (round + 1);
    let done = 0;
    const whole = sum(parts);
    for (const [name, count] of parts) {
      const what = document.createElement("p");
      what.className = "strung-of";
      what.textContent = count + " " + name;
      const line = document.createElement("div");
      line.className = "string";
      line.dataset.reps = count;
      for (let number = 1; number <= count; number++) {
        done++;
        const rep = document.createElement("span");
        rep.className = "rep";
        rep.innerHTML = '<i class="bead" aria-hidden="true"></i>';
        rep.firstChild.textContent = number;
        if (done < whole) {
          const gap = document.createElement("button");
          gap.type = "button";
          gap.className = "gap";
          gap.dataset.after = done;
          gap.tabIndex = done === 1 ? 0 : -1;
          gap.setAttribute("aria-pressed", String(marks.has(done)));
          gap.setAttribute("aria-label", "Bar down after " + name + " " + number);
          rep.append(gap);
        }
        line.append(rep);
      }
      place.append(what, line);
    }
    return place;
  }
  function strung() {
    moved();
    const own = apart.checked || texts().length > 1 || Boolean(ownRounds);
    const state = JSON.stringify([before, field("pattern").value, own, rounds()]);
    if (state === shown) return;
    shown = state;
    apart.checked = own;
    apart.disabled = Boolean(ownRounds);
    const count = own ? rounds() : 1;
    const fits = sum(movements(0)) > 1 && count <= MOST_STRINGS && Array.from({ length: count }, (_, round) => sum(movements(round))).every((one) => one <= MOST_BEADS);
    const focused = document.activeElement.dataset.after && [document.activeElement.dataset.after, document.activeElement.closest("[data-round]").dataset.round];
    beads.replaceChildren(...(fits ? Array.from({ length: count }, (_, round) => string(round, !own)) : []));
    document.getElementById("strung").hidden = !sum(movements(0));
    document.getElementById("unstrung").hidden = Boolean(sum(movements(0)));
    document.getElementById("strung-how").hidden = !fits;
    even();
    if (focused) focus(beads.querySelector(`[data-round="${focused[1]}"] [data-after="${focused[0]}"]`));
  }
  // Lines of a string that has to wrap are as long as one another, so that no bead is left alone.
  function even() {
    const wide = beads.clientWidth - 12;
    for (const line of beads.querySelectorAll(".string")) {
      const count = Number(line.dataset.reps);
      const most = Math.max(1, Math.floor(wide / PITCH));
      line.style.maxWidth = PITCH * Math.ceil(count / Math.ceil(count / most)) + 12 + "px";
    }
  }
  window.addEventListener("resize", even);
  function focus(gap) {
    if (!gap) return;
    for (const other of gap.closest("[data-round]").querySelectorAll(".gap")) other.tabIndex = other === gap ? 0 : -1;
    gap.focus({ preventScroll: true });
  }
  beads.addEventListener("click", (event) => {
    const gap = event.target.closest(".gap");
    if (!gap) return;
    const round = Number(gap.closest("[data-round]").dataset.round);
    const parts = movements(round);
    const marks = marksOf(patternOf(round), parts) || new Set();
    const mark = Number(gap.dataset.after);
    if (!marks.delete(mark)) marks.add(mark);
    if (marks.size && !field("seconds").value) {
      put("seconds", form.dataset.break);
      document.getElementById("usual").textContent = "Each break is taken as " + form.dataset.break + ", a usual length (common practice); change it at Length of breaks.";
    }
    const every = apart.checked ? Array.from({ length: rounds() }, (_, one) => (one === round ? written(parts, marks) : patternOf(one) || written(movements(one), new Set()))) : [written(parts, marks)];
    left.add("pattern");
    put("pattern", every.join("; "));
    strung();
    focus(beads.querySelector(`[data-round="${round}"] [data-after="${mark}"]`));
  });
  beads.addEventListener("keydown", (event) => {
    const step = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
    const gap = event.target.closest(".gap");
    if (!step || !gap) return;
    event.preventDefault();
    const all = [...gap.closest("[data-round]").querySelectorAll(".gap")];
    const next = all[all.indexOf(gap) + step];
    focus(next);
    if (next) next.scrollIntoView({ block: "nearest" });
  });
  apart.addEventListener("change", () => {
    const first = texts()[0] || "";
    if (first) put("pattern", apart.checked ? Array.from({ length: rounds() }, () => first).join("; ") : first);
    strung();
  });

  // What it comes to -----------------------------------------------------------------------------

  const offers = document.getElementById("offers");
  const pace = document.getElementById("pace");
  const MOST_MS = 250; // from the last key to the question
  let timer = null, question = 0, looked = {};
  // A plan as it is kept is not found fault with; what somebody asks of it may be refused.
  let touched = !form.dataset.changes;
  form.addEventListener("input", (event) => { touched = touched || event.isTrusted; });

  async function ask() {
    const mine = ++question;
    const address = "/api/plans/outlook" + (form.dataset.changes ? "?changes=" + form.dataset.changes : "");
    const headers = { "X-Token": document.querySelector("meta[name=token]").content };
    const answer = await fetch(address, { method: "POST", headers, body: new URLSearchParams(new FormData(form)) }).catch(() => null);
    if (mine !== question || !answer || !answer.ok) return;
    looked = await answer.json();
    tell();
  }
  function tell() {
    document.getElementById("outlook").hidden = !looked.said;
    document.getElementById("total").textContent = looked.said;
    const longest = 1.05 * Math.max(looked.total_s, looked.slow_s || 0, looked.target_s || 0, looked.cap_s || 0, 1);
    const gauge = document.getElementById("gauge");
    // A bar alone says nothing: it is drawn where there is something to compare the total with.
    const beside = [
      looked.slow_s ? "pale: a brisk to a slow pace" : "",
      looked.target_s ? "line: the target" : "",
      looked.cap_s ? (looked.target_s ? "coloured line" : "line") + ": the time cap" : "",
    ].filter(Boolean);
    gauge.hidden = !beside.length;
    document.getElementById("gauge-says").textContent = beside.length ? "Bar: the plan’s total; " + beside.join("; ") + "." : "";
    const set = (name, from, to) => {
      const one = gauge.querySelector(name);
      one.hidden = to === null;
      one.style.setProperty("--from", (100 * from) / longest + "%");
      one.style.setProperty("--to", (100 * (to || 0)) / longest + "%");
    };
    set(".range", looked.brisk_s || 0, looked.slow_s);
    set(".sum", 0, looked.total_s);
    set(".target", 0, looked.target_s);
    set(".cap", 0, looked.cap_s);
    pace.disabled = !Object.keys(looked.paced).length;
    document.getElementById("not-paced").textContent = touched ? looked.not_paced : "";
    offers.replaceChildren(...looked.offers.map((one) => {
      const line = document.createElement("li");
      line.innerHTML = '<button type="button"></button><span class="small"></span>';
      line.firstChild.textContent = one.name;
      line.firstChild.setAttribute("aria-pressed", String(one.pattern === field("pattern").value));
      line.firstChild.addEventListener("click", () => {
        apart.checked = false;
        left.add("pattern");
        put("pattern", one.pattern);
        if (one.seconds) put("seconds", one.seconds);
        for (const other of offers.querySelectorAll("button")) other.setAttribute("aria-pressed", String(other === line.firstChild));
      });
      line.lastChild.textContent = one.said;
      return line;
    }));
  }
  pace.addEventListener("click", () => {
    for (const [name, value] of Object.entries(looked.paced)) put(name, value);
  });
  function changed() {
    arrange();
    strung();
    clearTimeout(timer);
    timer = setTimeout(ask, MOST_MS);
  }
  form.addEventListener("input", changed);
  field("seconds").addEventListener("input", (event) => { if (event.isTrusted) document.getElementById("usual").textContent = ""; });

  for (const one of form.querySelectorAll("[data-step]")) one.hidden = false;
  changed();
})();
