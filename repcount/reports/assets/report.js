"use strict";
// Zoom, reading out and playing from a rep. The page is complete without it.
(() => {
  const holder = document.getElementById("data");
  const drawing = document.getElementById("trace");
  if (!holder || !drawing) return;

  const data = JSON.parse(holder.textContent);
  // Reps and breaks in order of time: the moment marked (a rep's top, a break's beginning), where
  // the video plays from, a break's end (none for a rep), and both in words.
  const [AT, PLAY, UNTIL, NAME, DETAIL] = [0, 1, 2, 3, 4];
  const moments = data.moments;
  const reps = moments.filter((moment) => moment[UNTIL] === null);
  const plot = document.getElementById("plot");
  const readout = document.getElementById("readout");
  const cursor = document.getElementById("cursor");
  const layers = drawing.querySelectorAll("svg.time");
  const ticks = document.getElementById("ticks");
  const SHORTEST_S = 2;
  let from = data.begin;
  let to = data.end;
  let chosen = -1;

  const clock = (seconds, tenths) => {
    if (seconds < 0) return "−" + clock(-seconds, tenths);
    const shown = tenths ? Math.round(seconds * 10) / 10 : Math.round(seconds);
    const hours = Math.floor(shown / 3600);
    const minutes = Math.floor((shown % 3600) / 60);
    const rest = (shown % 60).toFixed(tenths ? 1 : 0).padStart(tenths ? 4 : 2, "0");
    return (hours ? hours + ":" + String(minutes).padStart(2, "0") : minutes) + ":" + rest;
  };
  const zero = data.zero; // of the workout's clock, in seconds of the video
  const percent = (time) => (100 * (time - from)) / (to - from) + "%";
  const make = (name, attributes, text) => {
    const element = document.createElementNS(drawing.namespaceURI, name);
    for (const key of Object.keys(attributes)) element.setAttribute(key, attributes[key]);
    if (text !== undefined) element.textContent = text;
    return element;
  };

  function draw() {
    for (const layer of layers) {
      const box = layer.getAttribute("viewBox").split(" ");
      layer.setAttribute("viewBox", [from, 0, to - from, box[3]].join(" "));
    }
    const bands = [...drawing.querySelectorAll(".round")].filter((band) => Number(band.dataset.to) > from && Number(band.dataset.from) < to);
    const sparse = [1, 2, 5, 10, 20, 50, 100].find((n) => (n * plot.clientWidth) / Math.max(1, bands.length) > 28) || 100;
    for (const band of drawing.querySelectorAll(".round")) {
      const left = Math.max(from, Number(band.dataset.from));
      const right = Math.min(to, Number(band.dataset.to));
      band.setAttribute("visibility", right > left ? "visible" : "hidden");
      band.setAttribute("x", percent(left));
      band.setAttribute("width", (100 * Math.max(0, right - left)) / (to - from) + "%");
      const name = band.nextElementSibling;
      const named = right > left && Number(name.textContent) % sparse === 0;
      name.setAttribute("visibility", named ? "visible" : "hidden");
      name.setAttribute("x", percent((left + right) / 2));
    }
    const inView = reps.filter((rep) => rep[AT] >= from && rep[AT] <= to).length;
    drawing.classList.toggle("crowded", inView * 12 > plot.clientWidth);
    const wanted = Math.max(3, Math.floor(plot.clientWidth / 56));
    const steps = [0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600];
    const step = steps.find((s) => (to - from) / s <= wanted) || 600;
    ticks.replaceChildren();
    const margin = (to - from) * 0.02;
    for (let n = Math.ceil((from + margin - zero) / step); zero + n * step <= to - margin; n += 1) {
      const at = zero + n * step;
      ticks.append(make("text", { class: "tick", x: percent(at), y: ticks.dataset.y, "text-anchor": "middle" }, clock(n * step, step < 1)));
    }
  }

  function show(begin, end) {
    const span = Math.min(Math.max(end - begin, SHORTEST_S), data.full);
    const middle = (begin + end) / 2;
    from = Math.min(Math.max(0, middle - span / 2), data.full - span);
    to = from + span;
    draw();
  }
  function zoom(factor, around) {
    const centre = around === undefined ? (from + to) / 2 : around;
    show(centre - (centre - from) * factor, centre + (to - centre) * factor);
  }
  function shift(share) {
    const by = (to - from) * share;
    show(from + by, to + by);
  }

  function choose(index, follow) {
    chosen = Math.min(Math.max(index, 0), moments.length - 1);
    const moment = moments[chosen];
    if (!moment) return;
    cursor.setAttribute("d", "M" + moment[AT] + " 0V1000");
    readout.textContent = moment[NAME] + " · " + moment[DETAIL];
    plot.setAttribute("aria-valuenow", String(chosen + 1));
    plot.setAttribute("aria-valuetext", moment[NAME] + ", " + moment[DETAIL]);
    if (follow && (moment[AT] < from || moment[AT] > to)) {
      const half = (to - from) / 2;
      show(moment[AT] - half, moment[AT] + half);
    }
  }
  const timeAt = (event) => {
    const box = plot.getBoundingClientRect();
    return from + ((event.clientX - box.left) / box.width) * (to - from);
  };
  // The break that a time lies in, else the nearest rep.
  function nearest(time) {
    const away = (moment) => {
      if (moment[UNTIL] === null) return Math.abs(moment[AT] - time);
      return moment[AT] <= time && time <= moment[UNTIL] ? -1 : Infinity;
    };
    let best = 0;
    moments.forEach((moment, index) => {
      if (away(moment) < away(moments[best])) best = index;
    });
    return best;
  }
  // A click on a round's band means the round, elsewhere what is nearest.
  function playFrom(time, event) {
    const above = event.clientY - plot.getBoundingClientRect().top < Number(layers[0].getAttribute("y"));
    const round = above && data.rounds.find(([, begin, end]) => begin <= time && time <= end);
    if (round) {
      readout.textContent = "Round " + round[0] + " · " + clock(round[1] - zero, true) + " to " + clock(round[2] - zero, true);
      play(round[1]);
    } else if (moments.length) {
      choose(nearest(time));
      play(moments[chosen][PLAY]);
    }
  }

  // Keyboard and screen reader: the plot is a slider over reps and breaks.
  plot.tabIndex = 0;
  plot.setAttribute("role", "slider");
  plot.setAttribute("aria-label", "Reps and breaks in order of time. Arrow keys go from one to the next, plus and minus zoom, 0 shows the whole attempt, Enter plays the video from there, space pauses it.");
  plot.setAttribute("aria-valuemin", "1");
  plot.setAttribute("aria-valuemax", String(Math.max(1, moments.length)));
  plot.setAttribute("aria-valuenow", "1");
  plot.setAttribute("aria-valuetext", moments.length ? moments[0][NAME] : "no reps");
  plot.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const keys = {
      ArrowRight: () => choose(chosen + 1, true),
      ArrowUp: () => choose(chosen + 1, true),
      ArrowLeft: () => choose(chosen - 1, true),
      ArrowDown: () => choose(chosen - 1, true),
      PageDown: () => choose(chosen + 10, true),
      PageUp: () => choose(chosen - 10, true),
      Home: () => choose(0, true),
      End: () => choose(moments.length - 1, true),
      "+": () => zoom(0.5, chosen >= 0 ? moments[chosen][AT] : undefined),
      "=": () => zoom(0.5, chosen >= 0 ? moments[chosen][AT] : undefined),
      "-": () => zoom(2),
      0: () => show(data.begin, data.end),
      Enter: () => chosen >= 0 && play(moments[chosen][PLAY]),
      " ": () => !film.hidden && (video.paused ? video.play() : video.pause()),
    };
    if (keys[event.key]) {
      keys[event.key]();
      event.preventDefault();
    }
  });

  // Pointer: hover reads out, a drag with the mouse zooms to the stretch, a finger moves along.
  let drag = null;
  let band = null;
  plot.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    drag = { x: event.clientX, time: timeAt(event), from, to, touch: event.pointerType === "touch" };
    plot.setPointerCapture(event.pointerId);
  });
  plot.addEventListener("pointermove", (event) => {
    if (!drag) {
      if (moments.length) choose(nearest(timeAt(event)));
      return;
    }
    if (Math.abs(event.clientX - drag.x) < 5 && !drag.moved) return;
    drag.moved = true;
    if (drag.touch) {
      const by = ((drag.x - event.clientX) / plot.clientWidth) * (drag.to - drag.from);
      show(drag.from + by, drag.to + by);
      return;
    }
    const other = Math.min(Math.max(timeAt(event), from), to);
    if (!band) {
      band = make("rect", { class: "selection", y: 0, height: 1000 });
      layers[0].append(band);
    }
    band.setAttribute("x", Math.min(other, drag.time));
    band.setAttribute("width", Math.abs(other - drag.time));
  });
  const release = (event) => {
    if (!drag) return;
    const { time, moved, touch } = drag;
    drag = null;
    if (band) {
      band.remove();
      band = null;
    }
    if (event.type === "pointercancel") return;
    if (moved && !touch) {
      const other = Math.min(Math.max(timeAt(event), from), to);
      show(Math.min(time, other), Math.max(time, other));
    } else if (!moved) {
      playFrom(time, event);
    }
  };
  plot.addEventListener("pointerup", release);
  plot.addEventListener("pointercancel", release);
  plot.addEventListener("wheel", (event) => {
    if (!event.ctrlKey) return; // plain scrolling stays the page's
    event.preventDefault();
    zoom(event.deltaY > 0 ? 1.25 : 0.8, timeAt(event));
  }, { passive: false });

  const actions = {
    in: () => zoom(0.5),
    out: () => zoom(2),
    left: () => shift(-0.5),
    right: () => shift(0.5),
    whole: () => show(data.begin, data.end),
    video: () => play(chosen >= 0 ? moments[chosen][PLAY] : data.begin, true),
  };
  const tools = document.getElementById("tools");
  tools.addEventListener("click", (event) => {
    const action = actions[event.target.dataset.do];
    if (action) action();
  });
  if (data.rounds.length > 1 && data.rounds.length <= 12) {
    for (const [number, begin, end] of data.rounds) {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = "Round " + number;
      button.addEventListener("click", () => show(begin - 1.5, end + 1.5));
      document.getElementById("round-buttons").append(button);
    }
  }
  document.getElementById("show-hip").addEventListener("change", (event) => {
    drawing.classList.toggle("with-hip", event.target.checked);
  });
  tools.hidden = false;
  readout.hidden = false;

  // Moments in the tables lead to the plot and to the video; so do marks in the other charts.
  function lead(at, until, from_s) {
    show(at - 6, until === undefined ? at + 6 : until + 1.5);
    if (moments.length && until === undefined) {
      const index = nearest(at);
      if (Math.abs(moments[index][AT] - at) < 3) choose(index);
    }
    cursor.setAttribute("d", "M" + at + " 0V1000");
    document.getElementById("h-trace").scrollIntoView({ block: "start" });
    play(from_s);
  }
  for (const mark of document.querySelectorAll("[data-go]")) {
    const at = Number(mark.dataset.go);
    mark.addEventListener("click", () => lead(at, undefined, at));
  }
  for (const moment of document.querySelectorAll("[data-at]")) {
    const at = Number(moment.dataset.at);
    const until = moment.dataset.to === undefined ? undefined : Number(moment.dataset.to);
    const button = document.createElement("button");
    button.type = "button";
    button.className = "at";
    button.textContent = moment.textContent;
    button.setAttribute("aria-label", "Show and play " + moment.textContent);
    button.addEventListener("click", () => lead(at, until, until === undefined ? at - 1 : at));
    moment.replaceWith(button);
  }

  // The video: looked for only when asked for, beside the page and beside its folder; else a
  // person may open it.
  const film = document.getElementById("film");
  const video = document.getElementById("video");
  const chooser = document.getElementById("choose");
  const input = document.getElementById("file");
  const places = data.videos.slice();
  let wish = null;
  function play(at, quiet) {
    wish = { at: Math.max(0, at * data.slowed), quiet };
    if (!video.src) next();
    else if (video.readyState >= 1) seek();
  }
  function next() {
    const place = places.shift();
    if (place) {
      video.src = place;
      video.load();
    } else {
      film.hidden = true;
      chooser.hidden = false;
    }
  }
  function seek() {
    film.hidden = false;
    chooser.hidden = true;
    video.currentTime = wish.at;
    said = reached(wish.at / data.slowed); // what was asked for stays read out until the next comes
    if (!wish.quiet) video.play().catch(() => {});
  }
  video.addEventListener("loadedmetadata", seek);
  video.addEventListener("error", next);

  // The play head runs along the chart, which turns its page when the head leaves it.
  const playhead = document.getElementById("playhead");
  let said = -1;
  const reached = (at) => moments.findLastIndex((moment) => moment[AT] <= at);
  function follow() {
    const at = video.currentTime / data.slowed;
    playhead.setAttribute("d", "M" + at + " 0V1000");
    if (video.paused) return;
    if (at < from || at > to) show(at - 0.05 * (to - from), at + 0.95 * (to - from));
    const now = reached(at);
    if (now !== said && now >= 0) choose(now);
    said = now;
    requestAnimationFrame(follow);
  }
  video.addEventListener("play", follow);
  video.addEventListener("seeked", () => video.paused && follow());
  input.addEventListener("change", () => {
    if (!input.files.length) return;
    video.src = URL.createObjectURL(input.files[0]);
    video.load();
  });

  window.addEventListener("beforeprint", () => show(data.begin, data.end));
  window.addEventListener("resize", draw);
  draw();
})();
