"use strict";
// The bench: video and chart in step, corrections by key, button and drag.
(() => {
  const video = document.getElementById("video");
  const panel = document.getElementById("panel");
  const said = document.getElementById("said");
  const who = document.getElementById("who");
  const moment = document.getElementById("moment");
  const filmed = document.getElementById("moment-video");
  const chosenName = document.getElementById("chosen");
  const dialog = document.getElementById("ask");
  const result = document.getElementById("result");
  const kept = document.getElementById("kept");
  const noted = document.getElementById("note-now");
  const shared = panel.dataset.shared !== undefined; // to be looked at only
  const base = "/api/attempts/" + panel.dataset.attempt;
  const NEAR_S = 8; // shown around a rep that is chosen
  const LEFT_S = 2; // farther from it, what is chosen is chosen no more
  const NOTED_S = 5; // a note stands by the video from its moment on
  let data, cursor;
  let chosen = null; // {kind: "rep" or "break", id}
  let reached = -Infinity; // where the film came to for what is chosen; null while on its way
  let busy = false;
  let waiting = 0; // the play head where no video can be played

  let until = null; // where a clip that plays ends

  if (who) {
    if (!who.readOnly) who.value = localStorage.getItem("who") || "";
    who.addEventListener("change", () => localStorage.setItem("who", who.value.trim()));
  }
  const chart = makeChart((time, near) => {
    const close = data.reps.find((one) => Math.abs(one.top - time) < near);
    const lain = data.breaks.find((one) => one.start <= time && time <= one.end);
    if (close) choose("rep", close.id, true);
    else if (lain) choose("break", lain.id, false);
    if (!close) seek(time, Boolean(lain));
  });

  const clock = (s, digits = 1) => {
    if (s < 0) return "−" + clock(-s, digits);
    const shown = Math.round(s * 10 ** digits) / 10 ** digits;
    return Math.floor(shown / 60) + ":" + (shown % 60).toFixed(digits).padStart(3 + digits, "0");
  };
  const onClock = (s, digits = 1) => clock(s - data.zero, digits); // the workout's clock
  const playable = () => video.readyState > 0;
  const now = () => (playable() ? video.currentTime / data.slowed : waiting);
  const round3 = (s) => Math.round(s * 1000) / 1000;

  function seek(time, forChosen = false) {
    until = null;
    reached = forChosen ? null : -Infinity;
    waiting = Math.min(Math.max(time, 0), data.full);
    if (playable()) video.currentTime = waiting * data.slowed;
    const span = chart.to() - chart.from();
    if (waiting < chart.from() || waiting > chart.to()) chart.show(waiting - span / 2, waiting + span / 2);
    move();
  }
  function move() {
    const at = now();
    moment.textContent = onClock(at);
    filmed.textContent = at < data.zero ? "before the start" : data.zero ? clock(at) + " in the video" : "";
    // below the names of reps, so that no line goes through them
    if (cursor) cursor.setAttribute("d", "M" + at + " " + (1000 * NAMES_PX) / chart.box().height + "V1000");
    leave(at);
    const note = data.notes.findLast((one) => one.at <= at + 0.05 && at < one.at + NOTED_S);
    noted.hidden = !note;
    if (note && noted.textContent !== note.text) noted.textContent = note.text;
  }
  // What is chosen is what is shown: some moments beside it are told, farther ones drop it. A handle
  // that is being moved holds it.
  function leave(at) {
    const one = found();
    if (!one || handles.some((handle) => handle.at !== handle.kept)) return;
    const off = Math.max(one.start - at, at - one.end);
    if (off > LEFT_S) {
      // a film that ends before it stays where it came to
      if (reached !== null && Math.abs(at - reached) > LEFT_S) choose(chosen.kind, null, false);
      return;
    }
    const by = off.toFixed(1);
    const beside = off < 0.05 ? "" : at > one.end ? ", " + by + " s ago" : ", in " + by + " s";
    if (chosenName.textContent !== chosenWords(one) + beside) chosenName.textContent = chosenWords(one) + beside;
  }
  // A clip: from some seconds before what it shows to just after it.
  function playClip(at, end) {
    const [before, after] = data.clip;
    const lain = data.breaks.find((one) => Math.abs(one.start - at) < 0.05);
    if (lain) choose("break", lain.id, false);
    chart.show(at - NEAR_S / 2, end + NEAR_S / 2);
    seek(at - before, Boolean(lain));
    until = end + after;
    look();
    video.play().catch(() => seek(at)); // where nothing can be played the chart shows it
  }

  // Handles on the chosen rep or break, to drag or to move with the arrow keys. Where one stands
  // (`at`) may be ahead of what is in the list of corrections (`kept`) until it is let go or entered.
  const NAMES_PX = 20; // at the chart's upper edge reps are named
  let handles = [];
  const edgesOf = (kind) => (kind === "rep" ? ["start", "top", "end"] : ["start", "end"]);
  function makeHandles() {
    const holder = document.getElementById("handles");
    const one = found();
    handles = [];
    if (!holder) return;
    holder.replaceChildren();
    const { top, height } = chart.box();
    holder.style.top = top + NAMES_PX + "px";
    holder.style.height = height - NAMES_PX + "px";
    if (one && !shared && !one.missed) handles = edgesOf(chosen.kind).map((edge) => makeHandle(one, edge));
    holder.append(...handles.map((one) => one.line), ...handles.map((one) => one.grip));
    layHandles();
  }
  function makeHandle(one, edge) {
    const line = document.createElement("span");
    const grip = document.createElement("button");
    const name = document.createElement("span");
    const edges = edgesOf(chosen.kind);
    const before = one[edges[edges.indexOf(edge) - 1]];
    const after = one[edges[edges.indexOf(edge) + 1]];
    const handle = {
      edge, line, grip, kept: one[edge], at: one[edge], sent: false,
      least: Math.min(one[edge], before === undefined ? 0 : before + 0.001),
      most: Math.max(one[edge], after === undefined ? data.full : after - 0.001),
    };
    line.className = "edge";
    name.textContent = edge[0].toUpperCase() + edge.slice(1);
    grip.append(name);
    grip.type = "button";
    grip.className = "handle " + edge;
    grip.dataset.edge = edge;
    grip.setAttribute("role", "slider");
    grip.setAttribute("aria-label", name.textContent + " of " + chosenWords(one));
    grip.setAttribute("aria-describedby", "handles-how");
    grip.setAttribute("aria-valuemin", String(round3(handle.least)));
    grip.setAttribute("aria-valuemax", String(round3(handle.most)));
    byPointer(handle);
    byKey(handle);
    return handle;
  }
  function layHandles() {
    for (const { line, grip, at } of handles) {
      const seen = at >= chart.from() && at <= chart.to();
      line.hidden = !seen;
      grip.hidden = !seen && grip !== document.activeElement;
      line.style.left = chart.percent(at);
      grip.style.setProperty("--at", chart.percent(at));
      grip.setAttribute("aria-valuenow", String(round3(at)));
      grip.setAttribute("aria-valuetext", onClock(at, 2));
    }
  }
  function put(handle, time) {
    handle.at = Math.min(Math.max(time, handle.least), handle.most);
    seek(handle.at);
    layHandles();
  }
  async function keep(handle) {
    if (handle.at === handle.kept) return;
    handle.sent = true;
    await moveEdge(handle.edge, handle.at);
    handle.sent = false;
    if (handle.grip.isConnected) putBack(handle); // not taken
  }
  function putBack(handle) {
    handle.at = handle.kept;
    layHandles();
  }
  function byPointer(handle) {
    const { grip } = handle;
    let held = null; // where it was taken hold of
    grip.addEventListener("pointerdown", (event) => {
      held = { x: event.clientX, at: handle.at };
      grip.setPointerCapture(event.pointerId);
      video.pause();
    });
    grip.addEventListener("pointermove", (event) => {
      if (!held || event.clientX === held.x) return;
      const time = held.at + ((event.clientX - held.x) / chart.width()) * (chart.to() - chart.from());
      put(handle, Math.min(Math.max(time, chart.from()), chart.to()));
    });
    grip.addEventListener("pointerup", () => { held = null; keep(handle); });
    grip.addEventListener("pointercancel", () => { held = null; putBack(handle); });
  }
  function byKey(handle) {
    handle.grip.addEventListener("keydown", (event) => {
      const frames = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -10, PageUp: 10 }[event.key];
      if (frames) {
        put(handle, handle.at + frames * data.frame_s);
        say("Enter keeps the " + handle.edge + " at " + onClock(handle.at, 2) + ", Escape puts it back.", true);
      } else if (event.key === "Home") put(handle, handle.least);
      else if (event.key === "End") put(handle, handle.most);
      else if (event.key === "Enter") keep(handle);
      else if (event.key === "Escape") put(handle, handle.kept);
      else return;
      event.preventDefault();
      event.stopPropagation();
    });
    handle.grip.addEventListener("blur", () => {
      if (handle.at === handle.kept || handle.sent || !handle.grip.isConnected) return;
      putBack(handle);
      say("The " + handle.edge + " is back at " + onClock(handle.kept, 2) + ": what the arrow keys change is kept with Enter.");
    });
  }
  const found = () => chosen && data[chosen.kind === "rep" ? "reps" : "breaks"].find((one) => one.id === chosen.id);
  const chosenWords = (one) => (chosen.kind === "rep" ? one.words + (one.check ? " (to check)" : "") : "Break of " + (one.end - one.start).toFixed(1) + " s");
  function choose(kind, id, go) {
    chosen = { kind, id };
    const one = found();
    if (!one) chosen = null;
    for (const row of panel.querySelectorAll("tr.chosen")) row.classList.remove("chosen");
    chosenName.textContent = one ? chosenWords(one) : "No rep chosen: take Next rep, or one in the chart or in the list";
    if (one && kind === "rep") {
      const row = document.getElementById("rep-" + id);
      if (row) {
        row.classList.add("chosen");
        const box = row.closest(".reps");
        if (go) box.scrollTop = row.offsetTop - box.clientHeight / 2;
      }
    }
    chart.name(one && kind === "rep" ? id : null);
    if (one && go) {
      video.pause();
      const middle = kind === "rep" ? one.top : (one.start + one.end) / 2;
      const half = Math.max(NEAR_S / 2, kind === "rep" ? 0 : (one.end - one.start) / 2 + 1);
      chart.show(middle - half, middle + half);
      seek(kind === "rep" ? one.top : one.start, true);
    }
    makeHandles();
  }
  // Below each other, as on a phone, the lists are far from the video that they lead to
  const look = () => {
    const player = video.closest(".player");
    const box = video.getBoundingClientRect();
    if (box.top < -1 || box.bottom > innerHeight) player.scrollIntoView({ block: "start" });
  };
  // Who steps at the desk, or with the tools open, has video, tools and chart in view, where all of
  // them have room.
  const lookWhole = () => {
    const player = video.closest(".player");
    const box = player.getBoundingClientRect();
    const beside = getComputedStyle(player).position === "sticky";
    const open = !shared && document.getElementById("tools").classList.contains("open");
    const plot = document.getElementById("plot"); // below the player on a phone, beside it at the desk
    const bottom = beside || !plot ? box.bottom : plot.getBoundingClientRect().bottom;
    if ((beside || open) && bottom > innerHeight && bottom - box.top < innerHeight) player.scrollIntoView({ block: "start" });
  };
  function step(list, kind, way, none = "There is no " + kind + ".", around = false) {
    const at = chosen && chosen.kind === kind && found() ? (kind === "rep" ? found().top : found().start) : now();
    const place = (one) => (kind === "rep" ? one.top : one.start);
    const next = way > 0 ? list.find((one) => place(one) > at + 0.001) : list.filter((one) => place(one) < at - 0.001).pop();
    if (next || (around && list.length)) choose(kind, (next || list[0]).id, true);
    else say(list.length ? "There is no " + kind + " " + (way > 0 ? "after" : "before") + " this moment." : none, true);
  }

  // Corrections
  let fresh = false; // said since the pointer went down, as by what lost the focus to it
  const say = (text, plain = false) => { // plain: nothing is wrong
    said.classList.toggle("plain", plain);
    said.textContent = text;
    fresh = Boolean(text);
  };
  document.addEventListener("pointerdown", () => { fresh = false; }, true);
  async function send(path, more) {
    if (busy) return;
    if (!who.value.trim() && !(await ask("Who corrects this?", []))) return;
    if (!who.readOnly) localStorage.setItem("who", who.value.trim());
    busy = true;
    say("");
    kept.textContent = "";
    try {
      const answer = await fetch(base + path, {
        method: "POST",
        headers: { "Content-Type": "application/json", "X-Token": document.querySelector("meta[name=token]").content },
        body: JSON.stringify({ version: data.version, who: who.value.trim(), ...more }),
      });
      if (answer.ok) {
        fill(await answer.json());
        kept.textContent = "Kept: " + data.kept + (/[.!?…”]$/.test(data.kept) ? "" : ".");
      } else {
        say(await answer.text());
        if (answer.status === 409) {
          const fresh = await fetch(base + "/panel");
          if (fresh.ok) fill(await fresh.json());
        }
      }
    } catch {
      say("The server does not answer; the correction was not kept. Try again.");
    } finally {
      busy = false;
    }
  }
  const edit = (action, values, target, why) => send("/edits", { action, values, target: target || null, why: why || "" });
  function ask(title, asked, given, doing = "Save") {
    const yes = dialog.querySelector("button[value=yes]");
    yes.textContent = doing;
    const fields = who.value.trim() ? asked : [...asked, "who"];
    document.getElementById("ask-title").textContent = title;
    const form = document.getElementById("ask-form");
    form.reset();
    for (const name of ["movement", "round", "filmed", "before", "lasts", "text", "why", "who"]) {
      const label = document.getElementById("ask-" + name);
      label.hidden = !fields.includes(name);
      const input = form.elements[name];
      input.required = name === "who" && fields.includes(name);
      if (name === "who") input.placeholder = input.required ? "Needed, to say who corrected" : "";
      if (given && given[name] !== undefined && given[name] !== null) input.value = given[name];
    }
    if (["text", "why", "filmed", "before", "lasts"].includes(fields[0])) form.elements[fields[0]].required = true;
    dialog.returnValue = "no";
    dialog.showModal();
    (form.elements[fields[0]] || yes).focus();
    return new Promise((done) => {
      dialog.addEventListener("close", () => {
        const answer = dialog.returnValue === "yes" ? Object.fromEntries(new FormData(form)) : null;
        if (answer && fields.includes("who")) who.value = answer.who;
        done(answer);
      }, { once: true });
    });
  }
  if (dialog) document.getElementById("ask-form").addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || !event.target.matches("select")) return; // other fields do it themselves
    event.preventDefault();
    event.currentTarget.requestSubmit(dialog.querySelector("button[value=yes]"));
  });
  const rep = () => {
    const one = chosen && chosen.kind === "rep" && found();
    if (!one) say("Choose a rep first: click its time, or press N.");
    return one;
  };
  function moveEdge(edge, at) {
    const one = found();
    if (!one) return say("Choose a rep or a break first: click its time, or press N or B.");
    if (one.missed) return say("This lift is not counted and has no times to move; let it count first.");
    if (!edgesOf(chosen.kind).includes(edge)) return say("A break has no " + edge + "; choose a rep first.");
    return edit(chosen.kind === "rep" ? "move_rep" : "move_break", { [edge + "_s"]: round3(at) }, one.id);
  }
  // Looked at, and it is right as it was read: named anew as it is named.
  const seen = (one, why) => edit("relabel_rep", one.missed ? { movement: one.movement } : { movement: one.movement, round: one.round }, one.id, why);
  const lastMovement = () => {
    const before = data.reps.filter((one) => one.top <= now());
    return before.length ? before[before.length - 1] : data.reps[0];
  };
  const acts = {
    play: () => { until = null; return video.paused ? video.play().catch(() => {}) : video.pause(); },
    back: () => { video.pause(); seek(now() - data.frame_s); },
    forth: () => { video.pause(); seek(now() + data.frame_s); },
    "next-rep": () => step(data.reps, "rep", 1),
    "prev-rep": () => step(data.reps, "rep", -1),
    "next-break": () => step(data.breaks, "break", 1, "There is no break.", true),
    "next-check": () => step(data.reps.filter((one) => one.check), "rep", 1, "Nothing is to be checked.", true),
    "zoom-in": () => {
      const quarter = (chart.to() - chart.from()) / 4;
      chart.show(now() - quarter, now() + quarter);
    },
    "zoom-out": () => chart.zoom(2),
    "zoom-whole": () => chart.show(data.begin, data.end),
    tools: () => {
      const open = document.getElementById("tools").classList.toggle("open");
      document.querySelector("[data-act=tools]").setAttribute("aria-expanded", String(open));
      chart.draw(); // less high then
      makeHandles();
      if (open) video.closest(".player").scrollIntoView({ block: "start" });
    },
    "no-rep": async () => {
      const one = rep();
      const given = one && (await ask("No-rep: " + one.words, ["why"]));
      if (given) edit("mark_no_rep", {}, one.id, given.why);
    },
    clear: async () => {
      const one = rep();
      const stands = one && one.status === "counted" && one.check; // looked at, and it stands
      const given = one && (await ask("Let it count: " + one.words, ["why"], stands ? { why: "seen, it counts" } : {}));
      if (given && stands) { seen(one, given.why); return; }
      if (given) edit("clear_no_rep", {}, one.id, given.why);
    },
    relabel: async () => {
      const one = rep();
      const given = one && (await ask("Rename " + one.words, one.missed ? ["movement", "why"] : ["movement", "round", "why"], one));
      if (!given) return;
      const values = { movement: given.movement };
      if (given.round) values.round = Number(given.round);
      edit("relabel_rep", values, one.id, given.why);
    },
    remove: async () => {
      const one = found();
      if (!one) { rep(); return; }
      const given = await ask("Delete this? " + chosenWords(one), [], {}, "Delete");
      if (given) edit(chosen.kind === "rep" ? "remove_rep" : "remove_break", {}, one.id);
    },
    add: async () => {
      video.pause();
      const at = round3(now());
      const given = await ask("Add a rep with its top at " + onClock(at), ["movement", "round", "why"], lastMovement() || {});
      if (!given) return;
      const values = { movement: given.movement, top_s: at };
      if (given.round) values.round = Number(given.round);
      edit("add_rep", values, null, given.why);
    },
    "add-break": async () => {
      video.pause();
      const at = round3(now());
      const next = data.reps.find((one) => one.start > at);
      const room = next ? Math.floor(10 * (next.start - at)) / 10 : 0; // as long as there is
      const given = await ask("Add a break from " + onClock(at) + " on", ["lasts", "why"], room >= data.break_s ? { lasts: room } : {});
      if (!given) return;
      await edit("add_break", { start_s: at, end_s: round3(at + Number(given.lasts)) }, null, given.why);
      const made = data.breaks.find((one) => Math.abs(one.start - at) < 0.002);
      if (made) choose("break", made.id, true);
    },
    "set-start": () => moveEdge("start", now()),
    "set-top": () => moveEdge("top", now()),
    "set-end": () => moveEdge("end", now()),
    "clock-start": () => edit("set_clock", { start_s: round3(now()) }),
    "clock-before": async () => {
      const given = await ask("The clock ran before the video began", ["before"]);
      if (given) edit("set_clock", { start_s: -round3(Number(given.before)) });
    },
    "clock-end": () => edit("set_clock", { end_s: round3(now()) }),
    filmed: async () => {
      const given = await ask("When was it filmed?", ["filmed"]);
      if (given) edit("set_recorded", { recorded_at: new Date(given.filmed).toISOString() });
    },
    note: async () => {
      const at = round3(now());
      const given = await ask("Note at " + onClock(at), ["text"]);
      if (given) edit("note", { text: given.text, start_s: at });
    },
    undo: () => send("/undo", {}),
    redo: () => send("/redo", {}),
  };
  const looking = /^(play|back|forth|prev-rep|next-|zoom-)/;
  const keys = {
    " ": "play", ",": "back", ".": "forth", n: "next-rep", p: "prev-rep", b: "next-break", d: "next-check",
    m: "no-rep", c: "clear", r: "relabel", x: "remove", Delete: "remove", a: "add", f: "add-break", s: "set-start", t: "set-top",
    e: "set-end", "[": "clock-start", k: "clock-before", "]": "clock-end", o: "note", z: "undo", y: "redo",
    "+": "zoom-in", "-": "zoom-out", 0: "zoom-whole",
  };
  document.addEventListener("keydown", (event) => {
    if ((dialog && dialog.open) || event.altKey || event.target.matches("input, textarea, select")) return;
    const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    if ((event.ctrlKey || event.metaKey) && key !== "z") return;
    if (key === " " && event.target.matches("button:not(.handle), summary, a, video")) return; // theirs
    const act = event.shiftKey && key === "z" ? "redo" : keys[key];
    if (!act || (shared && !looking.test(act))) return;
    event.preventDefault();
    say("");
    acts[act]();
    if (/^(next|prev)-/.test(act)) lookWhole();
  });
  document.addEventListener("click", (event) => {
    if (!fresh || event.detail === 0) say("");
    // What a pointer pressed has done its work: the next key is the bench's. A form's own button has
    // once the form is sent, which is after this.
    const pressed = event.detail > 0 && event.target.closest("button:not(.handle), summary, video");
    if (pressed && pressed.form && pressed.type === "submit") setTimeout(() => pressed.blur());
    else if (pressed) pressed.blur();
    const button = event.target.closest("button");
    if (!button) return;
    if (button.dataset.act) {
      acts[button.dataset.act]();
      if (/^(next|prev)-/.test(button.dataset.act)) lookWhole();
    }
    else if (button.dataset.clip) playClip(Number(button.dataset.clip), Number(button.dataset.until || button.dataset.clip));
    else if (button.dataset.to) { chart.show(Number(button.dataset.at) - 1, Number(button.dataset.to) + 1); seek(Number(button.dataset.at)); look(); }
    else if (button.dataset.rep) { choose("rep", button.dataset.rep, true); look(); }
    else if (button.dataset.break) { choose("break", button.dataset.break, true); look(); }
    else if (button.dataset.at) { seek(Number(button.dataset.at)); look(); }
    else if (button.dataset.seen) {
      choose("rep", button.dataset.seen, true);
      seen(found(), "seen, it is right");
    } else if (button.dataset.revert) send("/revert", { edit_id: button.dataset.revert });
  });

  // Where the list of reps stands: to ask for it would lay out a list that nobody sees.
  let listed = 0;
  panel.addEventListener("scroll", (event) => {
    if (event.target.matches(".reps")) listed = event.target.scrollTop;
  }, true);
  function fill(drawn) { // made by our own server, with everything escaped
    const edge = document.activeElement.dataset.edge;
    if (result.dataset.shown !== drawn.result) result.innerHTML = drawn.result;
    result.dataset.shown = drawn.result; // pictures that stay are not asked for again
    drawn.panel.forEach((part, n) => { // what is as it was stays
      const place = panel.children[n];
      if (place.dataset.of === part.of) return;
      place.innerHTML = part.html;
      place.dataset.of = part.of;
    });
    start();
    const reps = panel.querySelector(".reps");
    if (reps && listed) reps.scrollTop = listed;
    const handle = handles.find((one) => one.edge === edge);
    if (handle) handle.grip.focus({ preventScroll: true });
    workOutAgain();
    document.body.dispatchEvent(new Event("corrected"));
  }
  // What comes next is worked out where it is looked at: after a correction anew, once it is in view.
  const next = document.querySelector("#next > div");
  const unworked = next ? next.outerHTML : "";
  function workOutAgain() {
    const done = document.getElementById("next-part");
    if (!done) return;
    done.parentElement.outerHTML = unworked; // as it came from our own server
    htmx.process(document.getElementById("next"));
  }
  function start() {
    const first = data === undefined;
    data = JSON.parse(document.getElementById("data").textContent);
    data.reps.sort((a, b) => a.top - b.top); // lifts that did not count among them
    cursor = document.getElementById("cursor");
    if (!shared) {
      for (const act of ["undo", "redo"]) {
        const button = document.querySelector("[data-act=" + act + "]");
        button.disabled = !data[act];
        button.querySelector("span").textContent = data[act] && ": " + data[act];
      }
    }
    if (first) waiting = data.begin;
    for (const span of panel.querySelectorAll("span[data-at]")) { // rounds lead to their stretch
      const button = document.createElement("button");
      button.type = "button";
      button.className = "at";
      Object.assign(button.dataset, span.dataset);
      button.textContent = span.textContent;
      span.replaceWith(button);
    }
    chart.fill(data, layHandles);
    if (chosen) choose(chosen.kind, chosen.id, false);
    move();
  }

  video.addEventListener("seeked", () => { if (reached === null) reached = now(); move(); });
  video.addEventListener("loadedmetadata", () => seek(waiting, reached === null));
  const follow = () => {
    move();
    if (!video.paused) {
      const at = now();
      if (until !== null && at >= until) { video.pause(); until = null; }
      if (at > chart.to() && chart.to() < data.full) chart.show(at, at + chart.to() - chart.from());
      requestAnimationFrame(follow);
    }
  };
  video.addEventListener("play", follow);
  window.addEventListener("resize", chart.draw);
  start();
})();
