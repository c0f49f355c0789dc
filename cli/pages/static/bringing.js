/* Sends chosen files one by one, so that a folder of scans arrives whole, and says of each what became of it.
   Without this file the form sends all of them at once. */
"use strict";
(() => {
  const form = document.querySelector("form.bring");
  if (!form) return;
  const list = form.querySelector(".bringing");
  const words = { stored: "kept", linked: "kept before, now with their patient", already: "there already", unreadable: "could not be read" };
  const send = async (file, line) => {
    const body = new FormData();
    body.set("csrf", form.querySelector("[name=csrf]").value);
    body.set("files", file);
    line.textContent = `${file.name}: on its way`;
    try {
      const answer = await fetch(form.action, { method: "POST", body, credentials: "same-origin" });
      const came = new URL(answer.url).searchParams;
      const said = Object.keys(words).filter((key) => came.has(key)).map((key) => `${came.get(key)} ${words[key]}`);
      if (answer.ok && said.length) {
        line.textContent = `${file.name}: ${said.join(", ")}`;
        return true;
      }
      line.textContent = answer.status === 413 ? `${file.name}: too large` : `${file.name}: not taken. Sign in again, or try once more.`;
    } catch {
      line.textContent = `${file.name}: not sent, no connection. Send it again; what is there already is not kept twice.`;
    }
    return false;
  };
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const files = [...form.querySelector("input[type=file]").files];
    const button = form.querySelector("button");
    button.disabled = true;
    list.textContent = "";
    let all = true;
    for (const file of files) {
      const line = document.createElement("li");
      list.append(line);
      all = (await send(file, line)) && all;
    }
    button.disabled = false;
    const end = document.createElement("li");
    const link = document.createElement("a");
    link.href = "/reports";
    link.textContent = "Show the list";
    end.append(link);
    list.append(end);
    if (all) form.reset();
    link.focus();
  });
})();
