"use strict";
// What every page does: moments in the reader's time zone, and following an analysis that runs.
(() => {
  const day = { day: "2-digit", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit" };
  const local = (moment) => moment.toLocaleString("en-GB", day);
  function put() {
    for (const one of document.querySelectorAll("time[datetime]:not([data-local])")) {
      one.dataset.local = "";
      one.textContent = local(new Date(one.dateTime));
    }
    for (const one of document.querySelectorAll("option[data-at]")) {
      one.textContent = one.textContent.replace(/\([^()]*\)$/, "(" + local(new Date(1000 * one.dataset.at)) + ")");
      one.removeAttribute("data-at");
    }
  }
  const zone = Intl.DateTimeFormat().resolvedOptions().timeZone || "UTC";
  function tell() {
    put();
    for (const one of document.querySelectorAll("input.zone")) one.value = zone;
    if (navigator.share) for (const one of document.querySelectorAll("[data-send]")) one.hidden = false;
  }
  tell();
  new MutationObserver(tell).observe(document.body, { childList: true, subtree: true });

  // Places for a sentence take sentences alone: a whole page, as of a server that stands between, is
  // told as what it is, an answer to something else.
  document.body.addEventListener("htmx:beforeSwap", (event) => {
    const kind = event.detail.xhr.getResponseHeader("Content-Type") || "";
    if (!event.detail.target.matches(".said") || !kind.startsWith("text/html")) return;
    event.detail.serverResponse = "The server answered something else than was asked, so what became of it is not known. Load the page again.";
  });

  // A passphrase as it is typed, for whoever wants to see it.
  document.addEventListener("change", (event) => {
    if (!event.target.matches("[data-reveal]")) return;
    const kind = event.target.checked ? "text" : "password";
    for (const one of event.target.form.querySelectorAll("[autocomplete$=password]")) one.type = kind;
  });

  // A link that was made: copied, or sent by what the phone has for it.
  async function copy(text, button) {
    try {
      await navigator.clipboard.writeText(text);
    } catch { // no clipboard without TLS: the selection's own way
      const line = button.closest(".made").querySelector(".link, .message");
      getSelection().selectAllChildren(line);
      if (!document.execCommand("copy")) return;
    }
    button.firstChild.textContent = "Copied";
  }
  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-copy], [data-send]");
    if (button && button.dataset.copy) copy(button.dataset.copy, button);
    else if (button) {
      const what = button.dataset.send; // a link or a message
      navigator.share(/^https?:\S+$/.test(what) ? { url: what } : { text: what }).catch(() => {});
    }
    if (event.target.closest("[data-print]")) print();
    const to = event.target.closest('a[href^="#"]');
    if (to) jump(to.getAttribute("href"));
  });

  // A jump to a place in the page is made again as long as what stands above it gets its height,
  // until somebody moves on; a place in a part that is folded unfolds it.
  let aim = null;
  function jump(hash) {
    aim = hash.length > 1 ? document.querySelector(hash) : null;
    if (aim && aim.matches("details")) aim.open = true;
  }
  const grown = new ResizeObserver(() => {
    if (aim && aim.isConnected) aim.scrollIntoView({ block: "start", behavior: "instant" });
  });
  grown.observe(document.body);
  for (const kind of ["wheel", "touchmove", "pointerdown", "keydown"]) {
    addEventListener(kind, () => { aim = null; }, { passive: true, capture: true });
  }
  if (/^#[a-z][\w-]*$/i.test(location.hash)) jump(location.hash);

  const SILENT_MS = 8000; // the server says something twice a second
  const AGAIN_MS = 3000;
  const LEAST_READ = 0.02; // of a video, to tell from it how long the rest takes
  const left = (seconds, fraction) => {
    if (seconds === null || fraction < LEAST_READ) return ", how long it takes is being worked out";
    return seconds < 90 ? ", about " + Math.max(1, Math.round(seconds)) + " s left" : ", about " + Math.round(seconds / 60) + " min left";
  };
  const words = (now) => now === null ? "The server is out of reach; trying again" : ({
    waiting: "Waiting for its turn",
    running: now.fraction === null ? "Being read" : "Being read: " + Math.floor(100 * now.fraction) + " %" + left(now.left_s, now.fraction),
    done: "Read",
    failed: "Not read",
    cancelled: "Stopped",
  })[now.state];
  // Tells how an analysis stands, null while the server cannot be heard.
  function follow(attempt, tell) {
    const address = "/api/attempts/" + attempt + "/events";
    const source = new EventSource(address);
    let heardAt = performance.now();
    const watch = setInterval(() => {
      if (performance.now() - heardAt > SILENT_MS) tell(null);
    }, 1000);
    source.onmessage = (event) => {
      const now = JSON.parse(event.data);
      heardAt = performance.now();
      tell(now);
      if (now.state !== "waiting" && now.state !== "running") {
        source.close();
        location.reload();
      }
    };
    source.onerror = () => {
      tell(null);
      if (source.readyState !== EventSource.CLOSED) return; // the browser tries again itself
      clearInterval(watch);
      setTimeout(async () => {
        const answer = await fetch(address + "?once=true").catch(() => null);
        if (answer && [401, 403, 404].includes(answer.status)) location.reload(); // the page says why
        else follow(attempt, tell);
      }, AGAIN_MS);
    };
  }
  const page = document.getElementById("follow");
  if (page) {
    follow(page.dataset.attempt, (now) => {
      const bar = document.getElementById("bar");
      bar.hidden = now === null;
      if (now && now.fraction !== null) bar.value = now.fraction;
      else bar.removeAttribute("value");
      document.getElementById("stand").textContent = words(now) + ".";
      document.getElementById("known").textContent = now ? now.message : "";
    });
  }
  // few at once: a browser keeps only six connections to one server
  for (const line of [...document.querySelectorAll("[data-follow]")].slice(0, 3)) {
    follow(line.dataset.follow, (now) => { line.textContent = now ? words(now) : "server out of reach"; });
  }
})();
