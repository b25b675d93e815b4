"use strict";
// Says when the video cannot be shown, and why. Where only the sound can be played there is no error:
// the frames then have no size.
(() => {
  const video = document.getElementById("video");
  const said = document.getElementById("no-film");
  const look = () => {
    said.hidden = !(video.error || (video.readyState > 0 && video.videoWidth === 0));
  };
  for (const event of ["error", "loadedmetadata", "resize"]) video.addEventListener(event, look);
  look();
})();
