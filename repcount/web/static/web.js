"use strict";
// What every page does: following an analysis that runs.
(() => {
  const left = (seconds) => {
    if (seconds === null) return "";
    return seconds < 90 ? ", about " + Math.max(1, Math.round(seconds)) + " s left" : ", about " + Math.round(seconds / 60) + " min left";
  };
  const words = (now) => ({
    waiting: "Waiting for its turn",
    running: "Being read: " + Math.round(100 * now.fraction) + " %" + left(now.left_s),
    done: "Read",
    failed: "Not read",
    cancelled: "Stopped",
  })[now.state];
  function follow(attempt, tell) {
    const source = new EventSource("/api/attempts/" + attempt + "/events");
    source.onmessage = (event) => {
      const now = JSON.parse(event.data);
      tell(now);
      if (now.state !== "waiting" && now.state !== "running") {
        source.close();
        location.reload();
      }
    };
  }
  const page = document.getElementById("follow");
  if (page) {
    follow(page.dataset.attempt, (now) => {
      document.getElementById("bar").value = now.fraction;
      document.getElementById("stand").textContent = words(now) + ".";
    });
  }
  // few at once: a browser keeps only six connections to one server
  for (const line of [...document.querySelectorAll("[data-follow]")].slice(0, 3)) {
    follow(line.dataset.follow, (now) => { line.textContent = words(now); });
  }
})();
