// A page that waits for something looks again by itself.
"use strict";
(() => {
  const waits = document.querySelector("[data-again]");
  if (waits) setTimeout(() => location.reload(), waits.dataset.again * 1000);
})();
