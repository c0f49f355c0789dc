/* Writing on a tablet: what is typed is judged when a field is left, kept when the connection drops, and sent once.
   The page works without this file; then it is judged when it is sent. */
"use strict";
(() => {
  const form = () => document.querySelector("form.writing");
  if (!form()) return;
  const key = `draft ${form().dataset.person} ${location.pathname}`;
  const NOT_KEPT = new Set(["csrf", "version", "do", "sure"]);
  let timer = 0;
  let sending = false;
  let leaving = false;

  // --- Keeping what is typed ----------------------------------------------------------------------------------------

  const typed = () => [...new FormData(form())].filter(([name]) => !NOT_KEPT.has(name));
  const keep = () => {
    if (!leaving) sessionStorage.setItem(key, JSON.stringify({ at: Date.now(), typed: typed() }));
  };
  const forget = () => {
    clearTimeout(timer);
    sessionStorage.removeItem(key);
  };
  const fill = (pairs) => {
    const by = new Map();
    for (const [name, value] of pairs) by.set(name, [...(by.get(name) || []), value]);
    for (const field of form().elements) {
      if (!field.name || NOT_KEPT.has(field.name)) continue;
      const values = by.get(field.name);
      if (field.type === "checkbox") field.checked = Boolean(values && values.includes(field.value));
      else if (values && field.type === "radio") field.checked = values.includes(field.value);
      else if (values) field.value = values[0];
    }
  };
  const putBack = () => {
    const held = sessionStorage.getItem(key);
    if (!held || "said" in form().dataset) return;
    fill(JSON.parse(held).typed);
    for (const part of form().querySelectorAll("details")) {
      if ([...part.querySelectorAll("input:not([type=hidden]), select, textarea")].some((one) => (one.type === "radio" || one.type === "checkbox" ? one.checked && one.value : one.value))) part.open = true;
    }
    say("What you typed here before is back. ", "Forget it", () => {
      forget();
      location.reload();
    });
  };

  // --- Saying -------------------------------------------------------------------------------------------------------

  const say = (words, button, act) => {
    const place = form().querySelector(".connection");
    place.textContent = words;
    if (!button) return;
    const one = document.createElement("button");
    one.type = "button";
    one.textContent = button;
    one.addEventListener("click", act);
    place.append(one);
  };
  const tell = (place, strong, rest, kind) => {
    const bold = document.createElement("strong");
    bold.className = kind;
    bold.textContent = strong;
    place.append(bold, rest ? ` ${rest}` : "");
  };
  const show = (verdict, touched) => {
    for (const field of form().querySelectorAll(".field[data-field]")) {
      const name = field.dataset.field;
      const place = field.querySelector(":scope > .words");
      if (!place || field.dataset.name !== `f.${name}`) continue;
      const wrong = verdict.fields[name];
      const asked = verdict.questions[name];
      // What must be said and was not reached yet is no mistake.
      const shown = wrong && (touched.has(name) || wrong.problem !== "This must be said.");
      place.textContent = "";
      if (shown) tell(place, wrong.problem, wrong.remedy, "wrong");
      else if (asked) tell(place, asked, "", "asked");
      const box = field.matches("fieldset") ? field : field.querySelector("input, select, textarea");
      if (shown) box.setAttribute("aria-invalid", "true");
      else box.removeAttribute("aria-invalid");
    }
    const place = form().querySelector(".verdict");
    place.textContent = "";
    for (const one of verdict.refused) {
      const line = document.createElement("p");
      line.className = "stop";
      tell(line, one.problem, one.remedy, "");
      place.append(line);
    }
    for (const words of verdict.careful) {
      const line = document.createElement("p");
      line.className = "careful";
      line.textContent = `Careful: ${words}`;
      place.append(line);
    }
  };

  // --- Asking the server --------------------------------------------------------------------------------------------

  const touched = new Set();
  const check = async () => {
    const sent = new URLSearchParams(new FormData(form()));
    sent.set("do", "check");
    try {
      const answer = await fetch(form().action, { method: "POST", body: sent, credentials: "same-origin", headers: { accept: "application/json" } });
      if (answer.ok) show(await answer.json(), touched);
    } catch {
      /* Without a connection it is judged when it is sent. */
    }
  };
  const shownAgain = async () => {
    const sent = new URLSearchParams(new FormData(form()));
    sent.set("do", "again");
    try {
      const answer = await fetch(form().action, { method: "POST", body: sent, credentials: "same-origin" });
      if (answer.ok && !answer.redirected) swap(await answer.text());
    } catch {
      /* The other fields stand behind "More that can be said". */
    }
  };
  const swap = (html) => {
    const now = typed();
    const at = document.activeElement && document.activeElement.name ? [document.activeElement.name, document.activeElement.value] : null;
    const page = new DOMParser().parseFromString(html, "text/html").getElementById("writing");
    if (!page) return false;
    document.getElementById("writing").replaceWith(document.adoptNode(page));
    // Somebody may have gone on typing while the answer was on its way.
    fill(now);
    const same = at && [...form().elements].find((one) => one.name === at[0] && (one.type !== "radio" || one.value === at[1]));
    if (same) same.focus();
    return true;
  };
  const send = async (button) => {
    if (sending) return;
    sending = true;
    const sent = new URLSearchParams(new FormData(form(), button && button.name ? button : undefined));
    if (!sent.has("do")) sent.set("do", "send");
    keep();
    say("On its way …");
    try {
      const answer = await fetch(form().action, { method: "POST", body: sent, credentials: "same-origin" });
      const to = new URL(answer.url);
      if (answer.redirected && to.pathname === "/enter") {
        say("You were signed out meanwhile; nothing was recorded. What you typed is kept in this tab: sign in and come back to this page. ", "Sign in", () => {
          location.href = `/enter?then=${encodeURIComponent(location.pathname)}`;
        });
      } else if (answer.redirected && answer.ok) {
        forget();
        location.href = answer.url;
      } else if (swap(await answer.text())) {
        const wrong = form().querySelector("[aria-invalid]");
        const field = wrong && (wrong.matches("fieldset") ? wrong.querySelector("input") : wrong);
        if (field) field.focus();
        else if (form().querySelector("button.main")) form().querySelector("button.main").focus();
      } else {
        say("The server did not take it. Nothing was recorded, and what you typed is kept. ", "Send it again", () => send());
      }
    } catch {
      say("No connection: it is not recorded yet. What you typed is kept in this tab until it is sent or you sign out. ", "Send it again", () => send());
    } finally {
      sending = false;
    }
  };

  document.addEventListener("submit", (event) => {
    // Whoever signs out takes along what they typed: drafts.js empties it, and nothing is kept after that.
    if (event.target.matches("form.leave")) leaving = true;
    if (!event.target.matches("form.writing")) return;
    event.preventDefault();
    if (event.submitter && event.submitter.value === "again") {
      if (event.submitter.matches(".one-more")) shownAgain();
      return;
    }
    send(event.submitter);
  });
  document.addEventListener("input", (event) => {
    if (!event.target.closest("form.writing")) return;
    clearTimeout(timer);
    timer = setTimeout(keep, 200);
  });
  document.addEventListener("change", (event) => {
    const field = event.target.closest("form.writing .field[data-field]");
    if (!field) return;
    touched.add(field.dataset.field);
    keep();
    const lays = event.target.closest("[data-again]") && ["access", "method"].includes(field.dataset.field);
    if (lays) shownAgain();
    else check();
  });
  window.addEventListener("online", () => {
    const waiting = form() && form().querySelector(".connection button");
    if (waiting) form().querySelector(".connection").firstChild.textContent = "The connection is back. ";
  });
  putBack();
})();
