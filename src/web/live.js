// Values and their ages as they change, from the daemon's stream of events.
// What it shows is made by the daemon; without a stream the page says so and
// greys its values.
"use strict";
(() => {
  const says = document.getElementById("live");
  if (!says || !window.EventSource) return;
  const SILENT = 75000; // ms; ages are told each half minute
  const AGAIN = 10000;
  const LOOK = 2000;
  let source = null;
  let heard = Date.now();

  const live = (is) => {
    document.body.classList.toggle("stale", !is);
    const clock = new Date(heard).toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" });
    const words = is ? "Live: values change as they come in." : `Not live: values as they were at ${clock}. Trying again.`;
    if (says.textContent !== words) says.textContent = words;
  };
  const anew = () => {
    // Not under somebody's fingers.
    const at = document.activeElement;
    if (at?.matches("input, select, textarea") || document.querySelector("details[open] form")) {
      says.replaceChildren("There is news. ", Object.assign(document.createElement("a"), {
        href: location.pathname + location.search, textContent: "Show this page anew",
      }));
    } else {
      location.reload();
    }
  };
  const show = (event) => {
    heard = Date.now();
    live(true);
    const now = JSON.parse(event.data);
    for (const part of document.querySelectorAll("[data-live]")) {
      const html = now.places[part.dataset.live];
      if (html !== undefined) part.innerHTML = html;
    }
    if (says.dataset.alerts !== undefined && says.dataset.alerts !== now.alerts) anew();
  };
  const connect = () => {
    if (source) source.close();
    source = new EventSource("/live");
    source.onopen = () => {
      heard = Date.now();
      live(true);
    };
    source.onerror = () => {
      live(false);
      if (source.readyState === EventSource.CLOSED) setTimeout(() => document.hidden || connect(), AGAIN);
    };
    source.addEventListener("now", show);
    source.addEventListener("reload", anew);
  };
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) source.close();
    else connect();
  });
  addEventListener("pagehide", () => source.close());
  setInterval(() => Date.now() - heard > SILENT && live(false), LOOK);
  connect();
})();
