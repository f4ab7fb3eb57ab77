/* What makes the office's pages quicker to work with. Nothing depends on it: each page does the same by links and buttons. */
"use strict";

/* From one matter to the next with the keyboard, and to the one that a settled matter leads to. The keys count inside a matter alone, and
   not where something is written (WCAG 2.2, 2.1.4). */
(() => {
  const matters = () => Array.from(document.querySelectorAll(".matter"));
  const writes = (at) => at.matches("input, textarea, select");
  const STEPS = { n: 1, PageDown: 1, p: -1, PageUp: -1 };

  document.addEventListener("keydown", (event) => {
    const matter = event.target.closest?.(".matter");
    const by = STEPS[event.key];
    if (!matter || !by || event.ctrlKey || event.altKey || event.metaKey || writes(event.target)) return;
    const all = matters();
    const next = all[all.indexOf(matter) + by];
    if (!next) return;
    event.preventDefault();
    next.focus();
  });

  const arrive = () => {
    const named = location.hash ? document.getElementById(location.hash.slice(1)) : null;
    const matter = named?.matches(".matter") ? named : location.hash === "#needs" ? matters()[0] : null;
    matter?.focus();
  };
  addEventListener("hashchange", arrive);
  arrive();
})();

/* A form that was refused is where one goes on. */
(() => {
  const wrong = document.querySelector("[data-refused] [aria-invalid=true]") ?? document.getElementById("refused");
  wrong?.scrollIntoView({ block: "center" });
  wrong?.focus();
})();

/* A list is found again as one types. The form itself says what is asked, the server what is found. */
(() => {
  const form = document.querySelector("form.find");
  if (!form) return;
  const SOON_MS = 150;
  let soon = 0;
  let asked = null;

  const look = async () => {
    const address = `${form.getAttribute("action")}?${new URLSearchParams(new FormData(form))}`;
    asked?.abort();
    asked = new AbortController();
    try {
      const answer = await fetch(address, { signal: asked.signal, redirect: "manual" });
      if (!answer.ok) throw new Error("no list");
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("found");
      if (!fresh) throw new Error("no list");
      document.getElementById("found").replaceWith(document.importNode(fresh, true));
      history.replaceState(null, "", address);
    } catch (error) {
      /* Signed out, or the shop does not answer: sent as a form, the page says which. */
      if (error.name !== "AbortError") form.submit();
    }
  };

  form.addEventListener("input", () => {
    clearTimeout(soon);
    soon = setTimeout(look, SOON_MS);
  });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    clearTimeout(soon);
    look();
  });
})();

/* The day sheet renews itself: it is told when something moves, asks every ten seconds all the same, and takes the new sheet in place.
   Nothing of the page depends on this script; without it there is the link "Renew". */
(() => {
  const EVERY_MS = 10000;
  const news = document.getElementById("news");
  if (!news) return;

  const headers = { "tappet-waiting": "1" };
  const sheet = () => document.getElementById("sheet");
  const say = (text) => { if (news.textContent !== text) news.textContent = text; };

  /* What somebody has opened, stands in or has begun to write is not taken from under their hands. */
  const atWork = () => {
    const fields = Array.from(sheet().querySelectorAll("textarea, input:not([type=hidden])"));
    return (
      sheet().querySelector("details.step[open], details.ids[open]") !== null ||
      fields.some((field) => field === document.activeElement || field.value !== field.defaultValue)
    );
  };

  const renew = async () => {
    const answer = await fetch(location.href, { headers, redirect: "manual" });
    if (!answer.ok) throw new Error("no sheet");
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const fresh = page.getElementById("sheet");
    if (!fresh) throw new Error("no sheet");
    const held = document.activeElement && sheet().contains(document.activeElement) ? document.activeElement.id : "";
    sheet().replaceWith(document.importNode(fresh, true));
    if (held) document.getElementById(held)?.focus();
    say("Renewed: something came in.");
  };

  let looking = false;
  const look = async () => {
    if (document.hidden || looking) return;
    looking = true;
    try {
      sheet().setAttribute("aria-busy", "true");
      const answer = await fetch("/office/day-sheet/position", { headers, redirect: "manual" });
      if (answer.type === "opaqueredirect" || answer.status === 401) {
        say("You are signed out. Renew this page to sign in again.");
      } else if (!answer.ok) {
        throw new Error("no position");
      } else if ((await answer.text()) !== sheet().dataset.mark) {
        if (atWork()) say("Something came in. Finish or close what you have open, or renew this page.");
        else await renew();
      } else if (news.textContent.startsWith("The shop does not answer")) {
        say("Up to date.");
      }
    } catch {
      say("The shop does not answer; this sheet is as it was last.");
    } finally {
      sheet().removeAttribute("aria-busy");
      looking = false;
    }
  };

  /* Held only while somebody can see the page: a browser has few connections to one shop. */
  let told = null;
  const listen = () => {
    told?.close();
    told = document.hidden ? null : new EventSource("/office/events");
    ["moved", "resync"].forEach((name) => told?.addEventListener(name, look));
  };

  setInterval(look, EVERY_MS);
  document.addEventListener("visibilitychange", () => {
    listen();
    look();
  });
  listen();
})();
