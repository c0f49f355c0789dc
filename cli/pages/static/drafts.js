/* What was typed and not sent is kept in this tab (sessionStorage) for the person who typed it, and for nobody longer
   than that person is signed in: signing out empties it, somebody else's is dropped, and so is what is older than a
   session can be. It goes with the tab. */
"use strict";
(() => {
  const LONGEST = 12 * 3600 * 1000;
  const leave = document.querySelector("form.leave");
  const person = leave ? leave.dataset.person : null;
  const drop = (keep) => {
    for (const key of Object.keys(sessionStorage)) {
      if (key.startsWith("draft ") && !keep(key)) sessionStorage.removeItem(key);
    }
  };
  const young = (key) => {
    try {
      return Date.now() - JSON.parse(sessionStorage.getItem(key)).at < LONGEST;
    } catch {
      return false;
    }
  };
  // Nobody signed in: whoever typed it may come back. Somebody: only what is theirs stays.
  drop((key) => young(key) && (person === null || key.startsWith(`draft ${person} `)));
  if (leave) leave.addEventListener("submit", () => drop(() => false));
})();
