/* Starts the page of a comparison. */
document.documentElement.classList.add("live");
startWipes();
