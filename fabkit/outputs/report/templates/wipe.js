/* A slider that wipes from the old board to the new one; without it both stand side by side. */
"use strict";

function startWipes() {
  for (const wipe of document.querySelectorAll(".wipe")) {
    const slider = wipe.querySelector("input[type=range]");
    const apply = () => wipe.style.setProperty("--at", slider.value + "%");
    slider.addEventListener("input", apply);
    apply();
  }
}
