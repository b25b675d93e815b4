"use strict";
// Sends the video in pieces that survive a lost connection, a closed page and a new server.
(() => {
  const form = document.getElementById("upload");
  const file = document.getElementById("film-file");
  const said = document.getElementById("upload-said");
  const bar = document.getElementById("bar");
  const sent = document.getElementById("sent");
  const pause = document.getElementById("pause");
  const send = document.getElementById("send");
  const begun = document.getElementById("begun");
  const megabytes = (bytes) => (bytes / 1e6).toFixed(bytes < 1e7 ? 1 : 0) + " MB";
  let upload = null;
  let paused = false;
  let patience = 0; // milliseconds
  let movedAt = null; // when the upload last got on; null where nothing is on its way

  // An athlete's newest plan, and a plan's athlete, are proposed until somebody chooses otherwise.
  const athlete = document.getElementById("athlete");
  const plan = document.getElementById("plan");
  let planned = plan.value !== "";
  function belong() {
    const whose = plan.selectedOptions[0] && plan.selectedOptions[0].dataset.athlete;
    if (whose && !athlete.value) athlete.value = whose;
  }
  // What is chosen is said in full below, since a narrow field cuts it, with the way to the plan.
  const see = document.getElementById("see-plan");
  function tell() {
    see.hidden = !plan.value;
    see.querySelector("span").textContent = plan.value ? plan.selectedOptions[0].textContent + "." : "";
    see.querySelector("a").href = "/plans/" + plan.value;
  }
  function propose() {
    if (planned) return;
    const mine = [...plan.options].find((one) => athlete.value && one.dataset.athlete === athlete.value);
    plan.value = mine ? mine.value : "";
    tell();
  }
  athlete.addEventListener("change", propose);
  plan.addEventListener("change", () => {
    planned = true;
    belong();
    tell();
  });
  document.addEventListener("DOMContentLoaded", tell); // after moments are in the reader's zone
  belong();
  propose(); // an athlete's own page has its athlete from the start

  function show(sending) {
    document.getElementById("sending").hidden = pause.hidden = !sending;
    send.disabled = sending;
    begun.hidden = sending;
  }

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const film = file.files[0];
    said.textContent = "";
    if (!film) return;
    if (film.size > Number(form.dataset.largest)) {
      said.textContent = "The video has " + megabytes(film.size) + "; at most " + megabytes(Number(form.dataset.largest)) + " are taken. Cut it to the attempt.";
      return;
    }
    const began = performance.now();
    let beganAt = null;
    const metadata = { filename: film.name };
    for (const name of ["athlete", "plan"]) {
      const value = document.getElementById(name).value;
      if (value) metadata[name] = value;
    }
    const filmed = document.getElementById("filmed").value;
    if (filmed) metadata.recorded = new Date(filmed).toISOString();
    upload = new tus.Upload(film, {
      endpoint: "/api/uploads/",
      metadata,
      headers: { "X-Token": document.querySelector("meta[name=token]").content },
      chunkSize: 8 * 1024 * 1024,
      retryDelays: [500, 1000, 2000, 4000, 8000, 15000, 30000, 60000],
      removeFingerprintOnSuccess: true,
      onShouldRetry: (error) => {
        const answer = error.originalResponse;
        const status = answer ? answer.getStatus() : 0;
        const again = [0, 408, 409, 423].includes(status) || (status >= 500 && status !== 507);
        if (again) sent.textContent = "The connection is lost; trying again.";
        return again;
      },
      onProgress: (done, whole) => {
        if (beganAt === null) beganAt = done;
        movedAt = performance.now();
        patience = 1000 * Number(form.dataset.stalled);
        const rate = (done - beganAt) / Math.max(0.001, (performance.now() - began) / 1000);
        const left = rate > 0 ? Math.ceil((whole - done) / rate) : null;
        bar.value = done / whole;
        sent.textContent = megabytes(done) + " of " + megabytes(whole) + (left === null ? "" : ", about " + (left < 90 ? left + " s" : Math.round(left / 60) + " min") + " left");
      },
      onError: (error) => {
        const answer = error.originalResponse;
        movedAt = null;
        said.textContent = (answer && answer.getBody()) || "The upload broke off; press Upload to go on where it stopped.";
        show(false);
      },
      onSuccess: (payload) => {
        movedAt = null;
        const attempt = payload.lastResponse.getHeader("X-Attempt");
        location.href = attempt ? "/attempts/" + attempt : "/";
      },
    });
    bar.value = 0;
    sent.textContent = "";
    show(true);
    const before = await upload.findPreviousUploads();
    if (before.length) upload.resumeFromPreviousUpload(before[0]);
    upload.start();
  });
  // Uploads of this browser that have not come to their end, as the server has them.
  async function mention({ uploadUrl, urlStorageKey, metadata }) {
    const headers = { "Tus-Resumable": "1.0.0", "X-Token": document.querySelector("meta[name=token]").content };
    const forget = () => tus.defaultOptions.urlStorage.removeUpload(urlStorageKey);
    const answer = await fetch(uploadUrl, { method: "HEAD", headers }).catch(() => null);
    if (answer && answer.status === 404) await forget();
    if (!answer || !answer.ok || answer.headers.get("X-Attempt")) return;
    const [come, whole] = ["Upload-Offset", "Upload-Length"].map((name) => Number(answer.headers.get(name)));
    const line = document.createElement("li");
    const name = document.createElement("bdi");
    const drop = document.createElement("button");
    name.textContent = metadata.filename;
    drop.type = "button";
    drop.textContent = "Delete what has come";
    drop.addEventListener("click", async () => {
      const gone = await fetch(uploadUrl, { method: "DELETE", headers }).catch(() => null);
      if (!gone || ![204, 404].includes(gone.status)) {
        said.textContent = gone ? await gone.text() : "The server does not answer; try again.";
        return;
      }
      await forget();
      line.remove();
    });
    line.append("The upload of ", name, " has not come to its end: " + megabytes(come) + " of " + megabytes(whole) + " have come. Choose the same video again to go on from there. ", drop);
    begun.append(line);
  }
  tus.defaultOptions.urlStorage.findAllUploads().then((all) => all.filter((one) => one.uploadUrl).forEach(mention));
  // A phone out of reach is not told that its connection is gone: it begins another itself. The
  // browser may take one for it that is gone as well, so the next ones have less time.
  setInterval(async () => {
    if (movedAt === null || performance.now() - movedAt < patience) return;
    movedAt = performance.now();
    patience = 250 * Number(form.dataset.stalled);
    sent.textContent = "The connection is lost; trying again.";
    await upload.abort();
    if (!paused) upload.start();
  }, 1000);
  pause.addEventListener("click", () => {
    paused = !paused;
    movedAt = null;
    pause.textContent = paused ? "Go on" : "Pause";
    if (paused) upload.abort();
    else upload.start();
  });
})();
