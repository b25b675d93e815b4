"use strict";
// Reading out the race, holding on to one athlete, showing one division. The page is complete
// without it.
(() => {
  const holder = document.getElementById("data");
  const data = holder ? JSON.parse(holder.textContent) : { athletes: [], full: 1, reps: 1 };
  const [NAME, DIVISION, RESULT, TOPS, BREAKS] = [0, 1, 2, 3, 4];
  const tools = document.getElementById("tools");
  const division = document.getElementById("division");
  const athlete = document.getElementById("athlete");
  const race = document.getElementById("race");
  const plot = document.getElementById("plot");
  const readout = document.getElementById("readout");
  const invitation = readout ? readout.textContent : "";
  const field = race ? race.querySelector("svg.time") : null;
  const parts = data.athletes.map(() => []); // lines and rows of each athlete
  for (const element of document.querySelectorAll("[data-i]")) {
    if (parts[element.dataset.i]) parts[element.dataset.i].push(element);
  }
  let marked = -1;
  let held = -1; // held on to until let go
  let near = -1; // under the pointer, or chosen with keys
  let now = data.full; // tenths of a second

  const clock = (tenths) => {
    const t = Math.max(0, Math.round(tenths));
    const minutes = Math.floor(t / 600);
    const rest = t % 600;
    return minutes + ":" + String(Math.floor(rest / 10)).padStart(2, "0") + "." + (rest % 10);
  };
  const shown = (i) => {
    const one = data.athletes[i];
    return one && (!division || division.value === "*" || one[DIVISION] === division.value);
  };
  const doneAt = (one, time) => {
    let low = 0;
    let high = one[TOPS].length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (one[TOPS][middle] <= time) low = middle + 1;
      else high = middle;
    }
    return low;
  };
  const running = () =>
    data.athletes.map((one, i) => i).filter((i) => shown(i) && data.athletes[i][TOPS].length);

  let cursor = null;
  if (field) {
    cursor = document.createElementNS(race.namespaceURI, "line");
    cursor.setAttribute("class", "cursor");
    cursor.setAttribute("y1", "0");
    cursor.setAttribute("y2", String(data.reps));
    cursor.setAttribute("visibility", "hidden");
    field.appendChild(cursor);
  }

  function mark() {
    const on = held >= 0 ? held : near;
    if (race) race.classList.toggle("chosen", on >= 0);
    if (on === marked) return;
    if (marked >= 0) for (const element of parts[marked]) element.classList.remove("on");
    marked = on;
    if (on < 0) return;
    for (const element of parts[on]) {
      element.classList.add("on");
      if (element.classList.contains("one")) element.parentNode.insertBefore(element, cursor);
    }
  }

  function say(time) {
    const on = held >= 0 ? held : near;
    if (!readout) return;
    if (on < 0) {
      readout.textContent = invitation;
      cursor.setAttribute("visibility", "hidden");
      return;
    }
    const one = data.athletes[on];
    if (!one[TOPS].length) {
      readout.textContent = one[NAME] + ": " + one[RESULT] + ".";
      return;
    }
    const done = doneAt(one, time);
    const ahead = running().filter((i) => doneAt(data.athletes[i], time) > done).length;
    const pause = one[BREAKS].find((part) => part[0] <= time && time < part[1]);
    const parts = [one[NAME] + " at " + clock(time) + ": " + done + " of " + data.reps + " reps"];
    if (pause) parts.push("in a break of " + pause[2]);
    parts.push(ahead === 0 ? "nobody has more" : ahead + (ahead === 1 ? " has more" : " have more"));
    readout.textContent = parts.join(", ") + ". Result: " + one[RESULT] + ".";
    cursor.setAttribute("x1", String(time));
    cursor.setAttribute("x2", String(time));
    cursor.setAttribute("visibility", "visible");
  }

  function hold(i) {
    held = i;
    if (athlete) athlete.value = String(i);
    mark();
    say(now);
  }

  function filter() {
    for (const element of document.querySelectorAll("[data-division]")) {
      const there = !division || division.value === "*" || element.dataset.division === division.value;
      element.toggleAttribute("hidden", !there);
    }
    if (held >= 0 && !shown(held)) hold(-1);
    if (near >= 0 && !shown(near)) near = -1;
    if (athlete) {
      for (const option of athlete.options) option.hidden = Number(option.value) >= 0 && !shown(Number(option.value));
    }
    mark();
    say(now);
  }

  function nearest(event) {
    const box = field.getBoundingClientRect();
    const time = ((event.clientX - box.left) / box.width) * data.full;
    const level = (1 - (event.clientY - box.top) / box.height) * data.reps;
    let best = -1;
    let gap = Infinity;
    for (const i of running()) {
      const one = data.athletes[i];
      const up = (Math.abs(doneAt(one, time) - level) / data.reps) * box.height;
      // a step is crossed sideways too
      const rep = Math.min(one[TOPS].length, Math.max(1, Math.round(level)));
      const across = (Math.abs(one[TOPS][rep - 1] - time) / data.full) * box.width;
      const away = Math.min(up, across);
      if (away < gap) [gap, best] = [away, i];
    }
    return [best, Math.min(data.full, Math.max(0, time))];
  }

  // Says so where a table is wider than the page, until it has been drawn to its end.
  for (const box of document.querySelectorAll(".scroll")) {
    const more = document.createElement("p");
    more.className = "small more";
    more.textContent = "Wider than the page: swipe or scroll the table sideways for more columns →";
    box.before(more);
    const look = () => { more.hidden = box.scrollWidth - box.clientWidth - box.scrollLeft < 2; };
    new ResizeObserver(look).observe(box);
    box.addEventListener("scroll", look);
    look();
  }
  if (tools && data.athletes.length) tools.hidden = false;
  if (division) division.addEventListener("change", filter);
  if (athlete) athlete.addEventListener("change", () => hold(Number(athlete.value)));
  for (const button of document.querySelectorAll(".pick")) {
    button.addEventListener("click", () => {
      const i = Number(button.dataset.i);
      hold(held === i ? -1 : i);
    });
  }
  if (!plot || !field) return;

  plot.addEventListener("pointermove", (event) => {
    const [best, time] = nearest(event);
    if (held < 0) near = best;
    now = time;
    mark();
    say(time);
  });
  plot.addEventListener("pointerleave", () => {
    near = -1;
    mark();
    say(now);
  });
  plot.addEventListener("click", (event) => {
    const [best] = nearest(event);
    hold(held === best ? -1 : best);
  });
  plot.addEventListener("keydown", (event) => {
    const list = running();
    if (!list.length) return;
    const on = held >= 0 ? held : near;
    const place = list.indexOf(on);
    const stride = event.shiftKey ? 100 : 10;
    if (event.key === "ArrowLeft") now = Math.max(0, now - stride);
    else if (event.key === "ArrowRight") now = Math.min(data.full, now + stride);
    else if (event.key === "Home") now = 0;
    else if (event.key === "End") now = data.full;
    else if (event.key === "ArrowDown" || event.key === "ArrowUp") {
      const step = event.key === "ArrowDown" ? 1 : -1;
      const next = list[place < 0 ? (step > 0 ? 0 : list.length - 1) : (place + step + list.length) % list.length];
      if (held >= 0) hold(next);
      near = next;
    } else if (event.key === "Enter" || event.key === " ") hold(held >= 0 ? -1 : near >= 0 ? near : list[0]);
    else if (event.key === "Escape") {
      near = -1;
      hold(-1);
    } else return;
    event.preventDefault();
    if (held < 0 && near < 0 && event.key !== "Escape") near = list[0];
    mark();
    say(now);
  });
})();
