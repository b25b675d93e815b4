"use strict";
// Says when the video cannot be shown, and why, and asks for a copy that can where there may be one
// (data-attempt). Where only the sound can be played there is no error: the frames then have no size.
// What is said stands after the video.
for (const said of document.querySelectorAll(".no-film")) {
  const video = said.previousElementSibling;
  const copy = said.querySelector(".no-film-copy");
  const AGAIN_MS = 1500;
  let asked = false;
  const words = (now) => ({
    waiting: "A copy in H.264 that it can show waits for its turn.",
    running: "A copy in H.264 that it can show is being made" + (now.fraction === null ? "." : ": " + Math.floor(100 * now.fraction) + " %."),
  })[now.state] || now.said;

  async function ask() {
    const headers = { "X-Token": document.querySelector("meta[name=token]").content };
    const answer = await fetch("/api/attempts/" + video.dataset.attempt + "/playable", { method: "POST", headers }).catch(() => null);
    const now = answer && answer.ok ? await answer.json() : { state: "running", fraction: null };
    if (now.state === "made") {
      const at = video.currentTime;
      video.src = "/attempts/" + video.dataset.attempt + "/film.mp4";
      video.addEventListener("loadedmetadata", () => { video.currentTime = at; }, { once: true });
      return;
    }
    copy.textContent = words(now);
    if (now.state !== "failed") setTimeout(ask, AGAIN_MS);
  }
  const look = () => {
    const fails = Boolean(video.error || (video.readyState > 0 && video.videoWidth === 0));
    said.hidden = !fails;
    if (!fails || asked || !video.dataset.attempt) return;
    asked = true;
    ask();
  };
  for (const event of ["error", "loadedmetadata", "resize"]) video.addEventListener(event, look);
  look();
}
