/* The button "Print" of a page that prints as a sheet. Without scripts it is not there: the browser's own menu prints. */
"use strict";
(() => {
  const box = document.getElementById("to-print");
  if (!box) return;
  box.hidden = false;
  box.querySelector("button").addEventListener("click", () => window.print());
})();
