// Counts typed while the network is gone: kept on this phone under the key
// of their form, told in plain words, and sent later exactly once. This is no
// cache of pages: without a connection no other page can be opened.
"use strict";
(() => {
  const MINE = "vernalog-kept-";
  const PATIENCE = 8000; // ms until a silent network counts as gone
  const AGAIN = 5000; // ms between two tries
  const note = document.getElementById("kept");
  if (!note || !window.fetch || !window.crypto) return;

  let state = "open"; // open, locked, gone
  let told = "";
  let turn = Promise.resolve();

  const all = () => {
    const items = [];
    try {
      for (let i = 0; i < localStorage.length; i += 1) {
        const name = localStorage.key(i);
        if (name.startsWith(MINE)) items.push(JSON.parse(localStorage.getItem(name)));
      }
    } catch { /* a browser without storage keeps nothing */ }
    return items.sort((a, b) => a.typed - b.typed);
  };
  const keep = (item) => localStorage.setItem(MINE + item.key, JSON.stringify(item));
  const drop = (item) => localStorage.removeItem(MINE + item.key);
  const waiting = () => all().filter((item) => !item.refused);
  const nCounts = (n) => (n === 1 ? "1 count" : `${n} counts`);
  const clock = (millis) =>
    new Date(millis).toLocaleString([], { weekday: "short", hour: "2-digit", minute: "2-digit" });
  const newKey = () =>
    [...crypto.getRandomValues(new Uint8Array(16))].map((b) => b.toString(16).padStart(2, "0")).join("");

  const ask = async (path, options) => {
    const end = new AbortController();
    const timer = setTimeout(() => end.abort(), PATIENCE);
    try {
      const answer = await fetch(path, { cache: "no-store", signal: end.signal, ...options });
      return { status: answer.status, text: await answer.text() };
    } finally {
      clearTimeout(timer);
    }
  };

  // The token of the session as it is now: a log-in or a new start of the
  // program since the page was opened makes no difference.
  const session = async () => {
    try {
      const now = JSON.parse((await ask("/session")).text);
      state = now.open ? "open" : "locked";
      return now.open ? now.token : null;
    } catch {
      state = "gone";
      return null;
    }
  };

  // What the answer says, for people.
  const page = (text) => new DOMParser().parseFromString(text, "text/html");
  const words = (answered) => {
    const parts = [...answered.querySelectorAll("main .message.trouble p, main p.wrong")];
    const found = parts.length ? parts : [...answered.querySelectorAll("main p")].slice(0, 1);
    return found.map((part) => part.textContent.trim()).join(" ") || "It was not taken.";
  };

  const send = async (item) => {
    const token = await session();
    if (!token) return {};
    const body = new URLSearchParams(item.fields);
    const ago = Date.now() - item.typed;
    body.set("token", token);
    body.set("kept", "1");
    if (ago > PATIENCE) body.set("typed_ago_ms", String(ago));
    let answer;
    try {
      answer = await ask(item.action, { method: "POST", body });
    } catch {
      state = "gone";
      return {};
    }
    if (answer.status === 200) {
      try {
        const { to } = JSON.parse(answer.text);
        drop(item);
        return { to };
      } catch { /* a page: it was not taken */ }
    }
    if ([200, 400, 404, 413, 422].includes(answer.status)) {
      const answered = page(answer.text);
      item.refused = words(answered);
      keep(item);
      return { answered };
    }
    state = answer.status === 403 ? "locked" : "gone";
    return {};
  };

  // Sends what waits, in the order in which it was typed.
  const run = async () => {
    const outcomes = new Map();
    for (const item of waiting()) {
      const outcome = await send(item);
      outcomes.set(item.key, outcome);
      if (state !== "open") break;
    }
    return outcomes;
  };
  const flush = () => {
    turn = turn.then(run, run);
    return turn;
  };
  const flushAndTell = async () => {
    if (waiting().length) {
      const sent = [...(await flush()).values()].filter((outcome) => outcome.to).length;
      if (sent) told = `${sent === 1 ? "1 kept count was" : `${sent} kept counts were`} sent.`;
    }
    draw();
  };

  const add = (parent, tag, text, rest) => {
    const made = Object.assign(document.createElement(tag), rest);
    made.textContent = text;
    parent.append(made);
    return made;
  };
  const link = (parent, text, href) => add(parent, "a", text, { href });

  const draw = () => {
    const items = all();
    const wait = items.filter((item) => !item.refused);
    const refused = items.filter((item) => item.refused);
    note.replaceChildren();
    note.hidden = !(items.length || told);
    if (told) {
      const p = add(note, "p", `${told} `);
      link(p, "Show this page anew", location.pathname + location.search);
    }
    if (wait.length) {
      const n = nCounts(wait.length);
      const many = wait.length > 1;
      const p = add(note, "p", "");
      if (state === "locked") {
        add(p, "strong", `${n} ${many ? "wait" : "waits"} on this phone. `);
        const here = location.pathname === "/login" ? null : location.pathname + location.search;
        if (here) {
          const bytes = [...new TextEncoder().encode(here)];
          link(p, "Log in to send", `/login?to=${bytes.map((b) => b.toString(16).padStart(2, "0")).join("")}`);
        } else {
          p.append("Log in, and it is sent.".replace("it is", many ? "they are" : "it is"));
        }
      } else if (state === "gone") {
        add(p, "strong", `No connection. ${n} ${many ? "wait" : "waits"} on this phone`);
        p.append(` and ${many ? "are" : "is"} sent once it is back. Leave the pages open or come back later; nothing is lost.`);
        add(note, "p", "Until then no other page can be opened. Go on with the tally sheet: on paper, or in a tab where it is open already.", { className: "soft" });
      } else {
        add(p, "strong", `${n} ${many ? "are" : "is"} being sent.`);
      }
    }
    if (refused.length) {
      add(add(note, "p", ""), "strong", `${nCounts(refused.length)} kept on this phone could not be taken. Nothing of ${refused.length > 1 ? "them" : "it"} was written.`);
    }
    if (items.length) {
      const list = add(note, "ul", "");
      for (const item of items) {
        const li = add(list, "li", `${item.what} (typed ${clock(item.typed)})`);
        if (!item.refused) continue;
        add(li, "p", item.refused, { className: "wrong" });
        const p = add(li, "p", "");
        link(p, "Correct it", `${item.page}#${MINE}${item.key}`).className = "button";
        add(p, "button", "Discard it", {
          type: "button",
          onclick: () => {
            if (!confirm(`Discard “${item.what}”? It is then lost.`)) return;
            drop(item);
            draw();
          },
        });
      }
    }
  };

  // What was typed, in a few words.
  const label = (field) =>
    (field.getAttribute("aria-label") || field.labels?.[0]?.textContent || field.name).trim().toLowerCase();
  const what = (form, button) => {
    const typed = [...form.querySelectorAll("input[type=text]")]
      .filter((field) => field.name !== "by" && field.value.trim())
      .map((field) => `${label(field)} ${field.value.trim()}`);
    const ticked = form.querySelectorAll("input[type=checkbox]:checked").length;
    const button_says = button?.value?.startsWith("zero")
      ? [[...button.childNodes].map((node) => node.textContent.trim()).join(", ").toLowerCase()]
      : [];
    const parts = [...button_says, ...typed.slice(0, 6)];
    if (typed.length > 6) parts.push(`${typed.length - 6} more`);
    if (ticked) parts.push(`${ticked} ${ticked === 1 ? "box" : "boxes"}, nothing new`);
    return `${form.dataset.keeps}: ${parts.join("; ") || "recorded"}`;
  };

  const itemOf = (form, button) => {
    const fields = [...new FormData(form)].filter(([name]) => name !== "token");
    if (button?.name) fields.push([button.name, button.value]);
    if (form.dataset.by && !fields.some(([name]) => name === "by")) fields.push(["by", form.dataset.by]);
    return {
      key: form.elements.form.value,
      action: form.getAttribute("action"),
      page: location.pathname,
      typed: Number(form.dataset.typed) || Date.now(),
      what: what(form, button),
      fields,
    };
  };

  const emptied = (form) => {
    form.reset();
    form.elements.form.value = newKey();
    delete form.dataset.typed;
  };

  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (!form.dataset.keeps) return;
    const button = event.submitter;
    const item = itemOf(form, button);
    try {
      keep(item);
    } catch {
      return; // A browser that keeps nothing sends the form as ever.
    }
    event.preventDefault();
    if (form.dataset.busy) return;
    form.dataset.busy = "1";
    told = "";
    const outcome = (await flush()).get(item.key) || {};
    delete form.dataset.busy;
    if (outcome.to) {
      location.assign(outcome.to);
      return;
    }
    const main = outcome.answered?.querySelector("main");
    if (main) {
      // What was typed stands in the form again, with what is wrong.
      drop(item);
      document.querySelector("main").replaceWith(main);
      const wrong = main.querySelector("[aria-invalid], .message.trouble");
      (wrong || main).scrollIntoView({ block: "center" });
      if (wrong?.matches("input")) wrong.focus();
    } else {
      emptied(form);
      note.scrollIntoView({ block: "nearest" });
    }
    draw();
  });

  // A refused count in its form again: the same key, the same instant.
  const correct = () => {
    const item = all().find((kept) => kept.refused && location.hash === `#${MINE}${kept.key}`);
    const form = item && [...document.forms].find(
      (known) => known.dataset.keeps && known.getAttribute("action") === item.action,
    );
    if (!form) return;
    const has = (field) => item.fields.some(([name, value]) => name === field.name && value === field.value);
    for (const field of form.elements) {
      if (["radio", "checkbox"].includes(field.type)) {
        field.checked = has(field);
      } else if (field.name && field.name !== "token" && !["submit", "fieldset"].includes(field.type)) {
        field.value = item.fields.find(([name]) => name === field.name)?.[1] ?? "";
      }
    }
    form.dataset.typed = item.typed;
    const above = form.closest("details");
    if (above) above.open = true;
    form.querySelector(".kept-words")?.remove();
    const p = add(form, "p", `Typed ${clock(item.typed)}, not taken: ${item.refused}`, { className: "wrong kept-words" });
    form.prepend(p);
    form.scrollIntoView();
  };

  // Without a connection a link leads to the browser's own error page.
  document.addEventListener("click", async (event) => {
    const to = event.target.closest?.("a[href]");
    if (state !== "gone" || !to || to.origin !== location.origin || to.hash) return;
    if (event.ctrlKey || event.metaKey || event.shiftKey || event.button) return;
    event.preventDefault();
    await session();
    if (state !== "gone") location.assign(to.href);
    else draw();
  });

  addEventListener("online", flushAndTell);
  addEventListener("storage", draw);
  addEventListener("hashchange", correct);
  document.addEventListener("visibilitychange", () => document.hidden || flushAndTell());
  setInterval(() => waiting().length && flushAndTell(), AGAIN);
  correct();
  flushAndTell();
})();
