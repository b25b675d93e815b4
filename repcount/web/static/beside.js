"use strict";
// Two videos on one clock. The clock runs here; each video is held to it, whichever can be played.
(() => {
  const ways = JSON.parse(document.getElementById("data").textContent);
  const films = [...document.querySelectorAll("video.mover")];
  const slowed = films.map((film) => Number(film.dataset.slowed));
  const choice = document.getElementById("way");
  const out = document.getElementById("at");
  const gap = document.getElementById("gap");
  const OFF_S = 0.15; // a video this far from the clock is set anew
  let at = 0; // seconds since the common moment
  let before = null; // when the clock was looked at last, while it runs
  let speed = 1;

  const way = () => ways[Number(choice.value)];
  const section = () => document.querySelector(`.way[data-way="${choice.value}"]`);
  const full = () => Math.max(...way().reps.map((rep) => Math.max(...rep.since)), 1);
  const clock = (s) => {
    const tenths = Math.round(Math.abs(s) * 10);
    return (s < 0 && tenths ? "−" : "") + Math.floor(tenths / 600) + ":" + ((tenths % 600) / 10).toFixed(1).padStart(4, "0");
  };
  const running = () => before !== null;

  function hold(exactly) {
    films.forEach((film, index) => {
      if (film.readyState === 0) return;
      const wanted = (way().begin[index] + at) * slowed[index];
      const inside = wanted >= 0 && wanted < film.duration;
      film.playbackRate = Math.min(16, slowed[index] * speed);
      if (exactly || Math.abs(film.currentTime - wanted) > OFF_S * slowed[index]) film.currentTime = Math.min(Math.max(wanted, 0), film.duration);
      if (running() && inside && film.paused) film.play().catch(() => {});
      if ((!running() || !inside) && !film.paused) film.pause();
    });
  }
  function show() {
    out.textContent = clock(at);
    const done = way().reps.filter((rep) => rep.since[0] <= at + 0.0005);
    const last = done[done.length - 1];
    gap.textContent = last ? "At " + last.words + " the second was " + (last.gap === 0 ? "level" : clock(Math.abs(last.gap)) + (last.gap > 0 ? " later" : " earlier")) : "No rep yet";
    const box = section().querySelector("svg.time").getAttribute("viewBox").split(" ");
    section().querySelector(".gap-at").setAttribute("d", "M" + 1000 * at + " 0V" + box[3]);
    document.getElementById("play").firstChild.textContent = running() ? "Pause " : "Play ";
  }
  function go(to) {
    at = Math.min(Math.max(to, -2), full() + 5);
    hold(true);
    show();
  }
  function tick(now) {
    if (!running()) return;
    at += ((now - before) / 1000) * speed;
    before = now;
    if (at > full() + 5) before = null;
    hold(false);
    show();
    requestAnimationFrame(tick);
  }
  const step = (by) => {
    const tops = way().reps.map((rep) => rep.since[0]);
    const to = by > 0 ? tops.find((top) => top > at + 0.01) : tops.filter((top) => top < at - 0.01).pop();
    if (to !== undefined) go(to);
  };
  const acts = {
    play: () => {
      before = running() ? null : performance.now();
      hold(false);
      show();
      if (running()) requestAnimationFrame(tick);
    },
    back: () => { before = null; go(at - 0.1); },
    forth: () => { before = null; go(at + 0.1); },
    "prev-rep": () => step(-1),
    "next-rep": () => step(1),
    half: () => {
      speed = speed === 1 ? 0.5 : 1;
      document.querySelector("[data-act=half]").setAttribute("aria-pressed", String(speed !== 1));
      hold(false);
    },
  };
  const keys = { " ": "play", ",": "back", ".": "forth", n: "next-rep", p: "prev-rep", h: "half" };
  document.addEventListener("keydown", (event) => {
    if (event.altKey || event.ctrlKey || event.metaKey || event.target.matches("input, textarea, select")) return;
    const act = keys[event.key.length === 1 ? event.key.toLowerCase() : event.key];
    if (!act || (event.key === " " && event.target.matches("button, summary, a"))) return;
    event.preventDefault();
    acts[act]();
  });
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (button && button.dataset.act) acts[button.dataset.act]();
    else if (button && button.dataset.since) go(Number(button.dataset.since));
    if (button && event.detail > 0) button.blur(); // the next key is the page's
    const plot = event.target.closest(".way .plot");
    if (plot) {
      const box = plot.getBoundingClientRect();
      go(((event.clientX - box.left) / box.width) * Number(plot.closest(".way").dataset.full));
    }
  });
  choice.addEventListener("change", () => {
    for (const one of document.querySelectorAll(".way")) one.hidden = one.dataset.way !== choice.value;
    go(0);
  });
  for (const film of films) film.addEventListener("loadedmetadata", () => go(at));
  go(0);
})();
