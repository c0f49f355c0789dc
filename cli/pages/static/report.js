/* One report by keyboard: single keys while no field has the focus, and the quote of whatever is looked at.
   The page works without this file; then radio buttons decide, and a button lays it out again. */
"use strict";
(() => {
  const desk = () => document.getElementById("desk");
  const form = () => document.getElementById("decisions");
  const items = () => [...desk().querySelectorAll("#decisions .item, .candidates .item")];
  const isField = (one) => one.matches("textarea, select, input:not([type=radio], [type=checkbox], [type=hidden])");
  let keysOn = localStorage.getItem("single-keys") !== "off";
  let warned = "";

  // --- Where we are -------------------------------------------------------------------------------------------------

  const current = () => document.activeElement && document.activeElement.closest(".item");
  const land = (item) => {
    // Never on a button that says something: a key that was pressed for the report before would press it.
    if (item) item.focus();
  };
  const onward = (from) => {
    const all = items();
    const place = all.indexOf(from);
    const next = all.slice(place + 1).find((one) => "undecided" in one.dataset) || all.find((one) => "undecided" in one.dataset);
    if (next) land(next);
    else if (document.getElementById("record")) document.getElementById("record").focus();
    else if (from) from.focus();
  };
  const step = (by) => {
    const all = items();
    const place = all.indexOf(current());
    land(all[place < 0 ? (by > 0 ? 0 : all.length - 1) : Math.min(Math.max(place + by, 0), all.length - 1)]);
  };

  // --- The quote of what is looked at -------------------------------------------------------------------------------

  const light = (keys, scroll) => {
    const text = desk().querySelector(".report-text");
    desk().querySelectorAll(".on-it").forEach((one) => one.classList.remove("on-it"));
    let first = null;
    for (const key of keys) {
      desk().querySelectorAll(`[data-of~="${CSS.escape(key)}"], [data-ref="${CSS.escape(key)}"]`).forEach((one) => {
        one.classList.add("on-it");
        if (!first && one.dataset.of) first = one;
      });
    }
    if (scroll && first && text) {
      const gap = first.getBoundingClientRect().top - text.getBoundingClientRect().top;
      if (gap < 0 || gap > text.clientHeight - 40) text.scrollTop += gap - text.clientHeight / 3;
    }
  };
  const look = (event, scroll) => {
    const item = event.target.closest && event.target.closest("[data-ref]");
    if (item) light([item.dataset.ref], scroll);
    const quote = event.target.closest && event.target.closest("[data-of]");
    if (quote) light(quote.dataset.of.split(" "), false);
  };
  document.addEventListener("mouseover", (event) => look(event, true));
  document.addEventListener("focusin", (event) => look(event, true));
  document.addEventListener("click", (event) => {
    const quote = event.target.closest("[data-of]");
    const key = quote && quote.dataset.of.split(" ").find((one) => desk().querySelector(`.item[data-ref="${CSS.escape(one)}"]`));
    if (key) land(desk().querySelector(`.item[data-ref="${CSS.escape(key)}"]`));
  });

  // --- What is decided and not recorded -----------------------------------------------------------------------------

  // Kept in this tab as what is typed into a form is (see drafts.js), so that it is still there after signing in again.
  const NOT_KEPT = new Set(["csrf", "do", "version", "waits", "unit", "sender", "days"]);
  const leaveForm = document.querySelector("form.leave");
  const draft = `draft ${leaveForm ? leaveForm.dataset.person : ""} ${location.pathname}`;
  let untouched = "";
  let signingOut = false;
  if (leaveForm) leaveForm.addEventListener("submit", () => { signingOut = true; });

  const standing = () => new URLSearchParams([...new FormData(form())].filter(([name]) => !NOT_KEPT.has(name))).toString();
  const version = () => form().elements.version.value;
  const forget = () => sessionStorage.removeItem(draft);
  const keep = () => {
    if (!form() || signingOut) return;
    const now = standing();
    if (now === untouched) forget();
    else sessionStorage.setItem(draft, JSON.stringify({ at: Date.now(), version: version(), sent: now }));
  };
  const sayOfDraft = (words, canForget) => {
    const place = document.createElement("p");
    place.className = "told";
    place.setAttribute("role", "status");
    place.textContent = words;
    if (canForget) {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = "Forget it";
      button.addEventListener("click", () => {
        forget();
        location.reload();
      });
      place.append(" ", button);
    }
    desk().prepend(place);
  };
  const putBack = async () => {
    const held = JSON.parse(sessionStorage.getItem(draft));
    const ours = version();
    const rest = (mark) => mark.slice(mark.indexOf(".") + 1);
    if (rest(held.version) !== rest(ours)) {
      // Other proposals stand here now: what was decided about a number would be said of something else.
      forget();
      sayOfDraft("What you had decided here and not recorded is gone: other proposals are open now.", false);
      return;
    }
    const sent = new URLSearchParams([...new FormData(form())].filter(([name]) => NOT_KEPT.has(name)));
    for (const [name, value] of new URLSearchParams(held.sent)) sent.append(name, value);
    desk().inert = true;
    try {
      const page = await laidOutAgain(sent);
      if (!page || !page.getElementById("desk")) return;
      desk().replaceWith(document.adoptNode(page.getElementById("desk")));
      const changed = held.version === ours ? "" : " The history has changed since: look whether it still makes sense.";
      sayOfDraft(`What you had decided here and not recorded is back.${changed}`, true);
    } catch {
      noConnection();
    } finally {
      desk().inert = false;
    }
  };

  // --- Deciding -----------------------------------------------------------------------------------------------------

  const count = () => {
    const all = items().filter((one) => one.classList.contains("proposal"));
    all.forEach((one) => {
      const fate = one.querySelector("[data-key]:checked");
      if (fate && fate.value) delete one.dataset.undecided;
      else one.dataset.undecided = "";
      one.dataset.fate = fate ? fate.value : "";
    });
    const place = document.getElementById("how-many");
    const done = all.filter((one) => !("undecided" in one.dataset)).length;
    if (place && all.length) place.textContent = `${done} of ${all.length} decided.`;
  };
  const decide = (item, key) => {
    const radio = item.querySelector(`[data-key="${key}"]`);
    if (!radio) return;
    radio.checked = true;
    count();
    keep();
    if (key === "d") item.querySelector(".reason input").focus();
    else if (key === "u") land(item);
    else onward(item);
  };
  const laidOutAgain = async (sent = new URLSearchParams(new FormData(form()))) => {
    sent.set("do", "again");
    const answer = await fetch(form().action, { method: "POST", body: sent, credentials: "same-origin" });
    if (answer.redirected) {
      location.href = answer.url;
      return null;
    }
    return new DOMParser().parseFromString(await answer.text(), "text/html");
  };
  const noConnection = () => {
    const place = document.getElementById("how-many");
    if (place) place.textContent = "No connection just now. What you decided is still here.";
  };
  const wholeAgain = async (item) => {
    const ref = item && item.dataset.ref;
    try {
      const page = await laidOutAgain();
      if (!page || !page.getElementById("desk")) return;
      desk().replaceWith(document.adoptNode(page.getElementById("desk")));
      count();
      showKeys();
      const same = ref && desk().querySelector(`.item[data-ref="${CSS.escape(ref)}"]`);
      if (same) onward(same);
    } catch {
      noConnection();
    }
  };
  const verdictAgain = async (item) => {
    // Only what is said about the fields is renewed: somebody may be typing in the next one.
    try {
      const page = await laidOutAgain();
      const same = page && page.querySelector(`.item[data-ref="${CSS.escape(item.dataset.ref)}"]`);
      if (!same) return;
      item.querySelector(".verdict").replaceWith(document.adoptNode(same.querySelector(".verdict")));
      for (const field of item.querySelectorAll(".field[data-name]")) {
        const other = same.querySelector(`.field[data-name="${CSS.escape(field.dataset.name)}"] > .words`);
        if (other) field.querySelector(":scope > .words").innerHTML = other.innerHTML;
      }
      item.querySelector(".edit > summary").innerHTML = same.querySelector(".edit > summary").innerHTML;
    } catch {
      noConnection();
    }
  };
  document.addEventListener("change", (event) => {
    const item = event.target.closest(".item");
    if (!item || !form() || !form().contains(item)) return;
    keep();
    if (event.target.matches("[data-key]")) count();
    else if ("again" in event.target.dataset) wholeAgain(item);
    else if (event.target.closest(".edit")) verdictAgain(item);
  });

  document.addEventListener("input", (event) => {
    if (form() && form().contains(event.target)) keep();
  });

  const record = async () => {
    // Sent without leaving the page, so that a dropped connection costs nothing that was decided.
    const button = document.getElementById("record");
    const sent = new URLSearchParams(new FormData(form(), button));
    button.disabled = true;
    try {
      const answer = await fetch(form().action, { method: "POST", body: sent, credentials: "same-origin", headers: { accept: "text/html, application/json" } });
      if (answer.headers.get("content-type").startsWith("application/json")) {
        const told = await answer.json();
        if (told.to) {
          forget();
          location.href = told.to;
          return;
        }
        document.getElementById("how-many").textContent = `${told.problem} ${told.remedy} What you decided is still here.`;
      } else if (answer.redirected) {
        location.href = answer.url;
        return;
      } else {
        const page = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("desk");
        if (page) {
          desk().replaceWith(document.adoptNode(page));
          if (answer.ok) {
            forget();
            untouched = form() ? standing() : "";
          } else {
            keep();
          }
          begin();
          return;
        }
      }
    } catch {
      noConnection();
    }
    button.disabled = false;
    button.focus();
  };
  document.addEventListener("submit", (event) => {
    if (!event.submitter || event.submitter.id !== "record") return;
    event.preventDefault();
    record();
  });

  // --- Keys ---------------------------------------------------------------------------------------------------------

  const leave = (path) => {
    const decided = items().some((one) => one.classList.contains("proposal") && !("undecided" in one.dataset));
    if (decided && warned !== path) {
      warned = path;
      document.getElementById("how-many").textContent = "Something is decided and not recorded: r records it; the same key again leaves without.";
      return;
    }
    if (!path) return;
    if (decided) forget(); // Left knowingly, without recording.
    location.href = path;
  };
  const showKeys = () => {
    const off = document.getElementById("keys-off");
    if (!off) return;
    off.setAttribute("aria-pressed", String(!keysOn));
    off.textContent = keysOn ? "Turn single keys off" : "Turn single keys on";
    document.body.classList.toggle("no-keys", !keysOn);
  };
  document.addEventListener("click", (event) => {
    if (event.target.id === "keys-off") {
      keysOn = !keysOn;
      localStorage.setItem("single-keys", keysOn ? "on" : "off");
      showKeys();
    }
    if (event.target.id === "keys-close") document.getElementById("all-keys").close();
  });
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || event.isComposing || event.defaultPrevented) return;
    const target = event.target;
    const item = current();
    if (isField(target)) {
      if (event.key === "Escape" && item) {
        land(item);
        event.preventDefault();
      } else if (event.key === "Enter" && item && target.closest(".reason")) {
        if (target.value.trim()) onward(item);
        event.preventDefault();
      } else if (event.key === "Enter" && item && form() && form().contains(target) && target.tagName === "INPUT") {
        target.dispatchEvent(new Event("change", { bubbles: true }));
        if (!("again" in target.dataset)) land(item);
        event.preventDefault();
      }
      return;
    }
    if (event.key === "Escape" && target.matches(".report-text")) {
      if (items().length) onward(null);
      return;
    }
    if (!keysOn || document.querySelector("dialog[open]") || target.matches("summary, a, button") && (event.key === "Enter" || event.key === " ")) return;
    const digit = /^[1-9]$/.test(event.key) && item && item.classList.contains("access") ? Number(event.key) : 0;
    if (digit) {
      const radio = item.querySelectorAll("input[type=radio]")[digit - 1];
      if (radio) {
        radio.checked = true;
        keep();
        wholeAgain(item);
        event.preventDefault();
      }
      return;
    }
    const acts = {
      n: () => step(1),
      p: () => step(-1),
      a: () => item && decide(item, "a"),
      c: () => item && decide(item, "c"),
      k: () => item && decide(item, "k"),
      o: () => item && decide(item, "o"),
      d: () => item && decide(item, "d"),
      u: () => item && decide(item, "u"),
      e: () => {
        const edit = item && item.querySelector(".edit");
        if (!edit) return;
        edit.open = true;
        const first = edit.querySelector("input:not([type=hidden]), select, textarea");
        if (first) first.focus();
      },
      t: () => desk().querySelector(".report-text") && desk().querySelector(".report-text").focus(),
      r: () => document.getElementById("record") && form().requestSubmit(document.getElementById("record")),
      s: () => leave(desk().dataset.next),
      b: () => leave(desk().dataset.before),
      "?": () => document.getElementById("all-keys") && document.getElementById("all-keys").showModal(),
    };
    const act = acts[event.key];
    // A key that is held down goes through the list, and decides nothing.
    if (!act || (event.repeat && !"np".includes(event.key))) return;
    event.preventDefault();
    act();
  });

  // --- Beginning ----------------------------------------------------------------------------------------------------

  function begin() {
    showKeys();
    count();
    const told = document.getElementById("onwards");
    const wrong = desk().querySelector(".proposal .wrong, .date .wrong");
    // What was refused is to be looked at; what was only odd is recorded, and one may go on.
    if (told && !told.closest(".stop")) told.focus();
    else if (wrong) land(wrong.closest(".item"));
    else if (form() && items().length) onward(null);
    else if (items().length) land(items()[0]);
    else if (form() && desk().querySelector(".report-text")) desk().querySelector(".report-text").focus();
  }
  if (form()) untouched = standing();
  if (form() && sessionStorage.getItem(draft) && !document.getElementById("told")) putBack().then(begin);
  else begin();
})();
