"use strict";
// The chart of the bar's height: which stretch it shows, labels that never overlap, the strip of the
// whole below it, and moving along by fingers, mouse and wheel. `tapped(time)` hears of a click.
const makeChart = (tapped) => {
  const SHORTEST_S = 2;
  const NAMED_S = 24; // reps are named where no more than this is shown
  const LETTER_PX = 6.6;
  const FIRM_PX = 6; // a pointer that moved less has not moved
  let data, plot, drawing, layers, strip, inView, from, to, named;
  let less = 0;

  const percent = (time) => (100 * (time - from)) / (to - from) + "%";
  const timeAt = (x) => {
    const box = plot.getBoundingClientRect();
    return from + ((x - box.left) / box.width) * (to - from);
  };
  function show(begin, end) {
    const span = Math.min(Math.max(end - begin, SHORTEST_S), data.full);
    from = Math.min(Math.max(0, (begin + end) / 2 - span / 2), Math.max(0, data.full - span));
    to = from + span;
    draw();
  }
  const shift = (seconds) => show(from + seconds, to + seconds);
  function zoom(factor, about = (from + to) / 2) {
    const span = Math.min(Math.max((to - from) * factor, SHORTEST_S), data.full);
    const begin = about - ((about - from) / (to - from)) * span;
    show(begin, begin + span);
  }

  function text(words, kind, x, y) {
    const made = document.createElementNS(drawing.namespaceURI, "text");
    made.setAttribute("class", kind);
    made.setAttribute("x", x);
    made.setAttribute("y", y);
    made.setAttribute("text-anchor", "middle");
    made.textContent = words;
    return made;
  }
  function drawRounds() {
    for (const band of drawing.querySelectorAll(".round")) {
      const left = Math.max(from, Number(band.dataset.from));
      const right = Math.min(to, Number(band.dataset.to));
      const name = band.nextElementSibling;
      const wide = (plot.clientWidth * Math.max(0, right - left)) / (to - from);
      const fits = wide > 4 + LETTER_PX * name.textContent.length;
      band.setAttribute("visibility", right > left ? "visible" : "hidden");
      band.setAttribute("x", percent(left));
      band.setAttribute("width", (100 * Math.max(0, right - left)) / (to - from) + "%");
      name.setAttribute("visibility", fits ? "visible" : "hidden");
      name.setAttribute("x", percent((left + right) / 2));
    }
  }
  function drawTicks(clock) {
    const ticks = document.getElementById("ticks");
    const wanted = Math.max(3, Math.floor(plot.clientWidth / 60));
    const step = [0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300].find((s) => (to - from) / s <= wanted) || 600;
    const margin = ((to - from) * 20) / Math.max(1, plot.clientWidth);
    ticks.replaceChildren();
    for (let n = Math.ceil((from + margin - data.zero) / step); data.zero + n * step <= to - margin; n += 1) {
      const words = step < 1 ? clock(n * step) : clock(n * step).slice(0, -2);
      ticks.append(text(words, "tick", percent(data.zero + n * step), ticks.dataset.y));
    }
  }
  // Where the curve is drawn, in pixels of the chart.
  const box = () => ({ top: Number(layers[0].getAttribute("y")), height: Number(layers[0].getAttribute("height")) });
  // The sheet may want the curve by so many pixels less high (`--less`); what is below it moves up.
  function fit() {
    const wanted = parseFloat(getComputedStyle(plot).getPropertyValue("--less")) || 0;
    const by = wanted - less;
    if (!drawing || !by) return;
    less = wanted;
    const charts = [drawing, plot.parentElement.querySelector(".gutter")];
    for (const one of charts.flatMap((svg) => [svg, svg.querySelector(".plotted")])) {
      one.setAttribute("height", one.getAttribute("height") - by);
    }
    for (const svg of charts) svg.querySelector(".below").setAttribute("transform", "translate(0 " + -less + ")");
  }
  // The chosen rep is named first, then those that have room beside the ones before.
  function drawNames() {
    let holder = document.getElementById("rep-names");
    if (!holder) {
      holder = document.createElementNS(drawing.namespaceURI, "g");
      holder.id = "rep-names";
      drawing.append(holder);
    }
    holder.replaceChildren();
    if (to - from > NAMED_S) return;
    const taken = [];
    const y = box().top + 12;
    const seen = data.reps.filter((one) => one.top >= from && one.top <= to);
    for (const one of seen.sort((a, b) => (b.id === named) - (a.id === named))) {
      const half = (LETTER_PX * one.name.length) / 2;
      const middle = (plot.clientWidth * (one.top - from)) / (to - from);
      const free = taken.every(([left, right]) => middle + half + 6 < left || middle - half - 6 > right);
      if (!free || middle < half || middle > plot.clientWidth - half) continue;
      taken.push([middle - half, middle + half]);
      holder.append(text(one.name, one.id === named ? "rep-name chosen" : "rep-name", percent(one.top), y));
    }
  }
  const clock = (s) => {
    if (s < 0) return "−" + clock(-s);
    const shown = Math.round(s * 10) / 10;
    return Math.floor(shown / 60) + ":" + (shown % 60).toFixed(1).padStart(4, "0");
  };
  function draw() {
    if (!drawing) return;
    fit();
    for (const layer of layers) {
      const box = layer.getAttribute("viewBox").split(" ");
      layer.setAttribute("viewBox", [from, 0, to - from, box[3]].join(" "));
    }
    drawRounds();
    drawTicks(clock);
    drawNames();
    inView.setAttribute("x", from);
    inView.setAttribute("width", to - from);
    const reps = data.reps.filter((one) => one.top >= from && one.top <= to).length;
    drawing.classList.toggle("crowded", reps * 12 > plot.clientWidth);
    plot.dispatchEvent(new Event("drawn"));
  }

  // Fingers and mouse: one moves along, two zoom; what moved no further than a click is one.
  function byPointers() {
    const down = new Map(); // where each pointer is, and the time that it holds
    let moved = false;
    let here = false; // pressed in here, and not left since: the wheel is the chart's
    const still = () => [...down.values()].forEach((one) => { one.time = timeAt(one.x); });
    plot.addEventListener("pointerdown", (event) => {
      if (event.target.closest(".handle") || event.button) return;
      if (!down.size) moved = false;
      here = event.pointerType === "mouse";
      down.set(event.pointerId, { x: event.clientX, began: event.clientX });
      still();
    });
    plot.addEventListener("pointermove", (event) => {
      const one = down.get(event.pointerId);
      if (!one) return;
      one.x = event.clientX;
      if (!moved && Math.abs(one.x - one.began) < FIRM_PX && down.size < 2) return;
      if (!moved) plot.setPointerCapture(event.pointerId);
      moved = true;
      const [a, b] = [...down.values()].sort((p, q) => p.x - q.x);
      if (!b) shift(one.time - timeAt(one.x));
      else if (b.x - a.x > 2 * FIRM_PX) {
        const box = plot.getBoundingClientRect();
        const span = Math.max(SHORTEST_S, (Math.abs(b.time - a.time) * box.width) / (b.x - a.x));
        const begin = Math.min(a.time, b.time) - ((a.x - box.left) / box.width) * span;
        show(begin, begin + span);
      }
    });
    const up = (event) => { down.delete(event.pointerId); still(); };
    plot.addEventListener("pointerup", up);
    plot.addEventListener("pointercancel", up);
    plot.addEventListener("pointerleave", () => { here = false; });
    plot.addEventListener("click", (event) => {
      if (event.target.closest(".handle")) return;
      if (!moved) tapped(timeAt(event.clientX), (to - from) / 150);
      moved = false;
    });
    plot.addEventListener("wheel", (event) => {
      const along = event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY);
      if (!along && !event.ctrlKey && !here) return; // plain scrolling stays the page's
      event.preventDefault();
      const turned = Math.abs(event.deltaX) > Math.abs(event.deltaY) ? event.deltaX : event.deltaY;
      if (along) shift((turned / plot.clientWidth) * (to - from));
      else zoom(Math.min(2, Math.max(0.5, 1.0025 ** turned)), timeAt(event.clientX));
    }, { passive: false });
  }
  function byStrip() {
    let held = false;
    const go = (event) => {
      const box = strip.getBoundingClientRect();
      const time = ((event.clientX - box.left) / box.width) * data.full;
      show(time - (to - from) / 2, time + (to - from) / 2);
    };
    strip.addEventListener("pointerdown", (event) => {
      held = true;
      strip.setPointerCapture(event.pointerId);
      go(event);
    });
    strip.addEventListener("pointermove", (event) => { if (held) go(event); });
    for (const end of ["pointerup", "pointercancel"]) strip.addEventListener(end, () => { held = false; });
  }

  // What was drawn anew by the server, all of it or what is written in it: the stretch shown stays,
  // and `drawn` hears of every stretch shown.
  function fill(given, drawn) {
    const before = plot;
    data = given;
    plot = document.getElementById("plot");
    drawing = document.getElementById("trace");
    strip = document.getElementById("overview");
    inView = document.getElementById("in-view");
    layers = drawing ? drawing.querySelectorAll("svg.time") : [];
    if (from === undefined) { from = data.begin; to = data.end; }
    if (!plot) return;
    if (plot !== before) {
      less = 0;
      plot.addEventListener("drawn", drawn);
      byPointers();
      byStrip();
    }
    draw();
  }
  return {
    fill, show, zoom, draw, percent,
    name: (id) => { named = id; if (drawing) drawNames(); },
    from: () => from,
    to: () => to,
    box,
    width: () => plot.clientWidth,
  };
};
