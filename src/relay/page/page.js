// Keeps the page as the relay sends it, says when it has lost the relay, and sets the reader's own time beside UTC.
"use strict";
(() => {
  const main = document.querySelector("main");
  const contact = document.getElementById("contact");
  const said = document.getElementById("said");
  const patience = 40000; // ms without a word; the relay speaks every 15 s
  const again = 5000;     // ms until the next try
  let source = null, heard = Date.now(), lost = false;

  const clock = new Intl.DateTimeFormat(undefined, { hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
  const day = new Intl.DateTimeFormat(undefined, { weekday: "short" });
  const two = (number) => String(number).padStart(2, "0");
  const utc = (at) => two(at.getUTCHours()) + ":" + two(at.getUTCMinutes()) + ":" + two(at.getUTCSeconds()) + " UTC";

  // Where the reader's clock is UTC there is nothing to add.
  function addLocalTime(root) {
    for (const element of root.querySelectorAll("time[datetime]")) {
      const at = new Date(element.dateTime);
      if (isNaN(at) || at.getTimezoneOffset() === 0 || element.querySelector(".here")) continue;
      const here = document.createElement("span");
      here.className = "here";
      here.textContent = "(" + (at.getDate() === at.getUTCDate() ? "" : day.format(at) + " ") + clock.format(at) + " here)";
      element.append(" ", here);
    }
  }

  // For those who hear the page: a swapped part is not read out, this is, and only when it says something new.
  function announce(text) {
    if (said.textContent !== text) said.textContent = text;
  }

  function say(text, isLost) {
    contact.textContent = text;
    contact.classList.toggle("lost", isLost);
    lost = isLost;
  }

  function hear(at) {
    heard = Date.now();
    say("live, " + utc(at ? new Date(at) : new Date(heard)), false);
  }

  function lose() {
    if (lost) return;
    say("No contact with the relay since " + utc(new Date(heard)) + ": what stands here may be old", true);
    announce(contact.textContent);
  }

  function miss() {
    say("This run is no longer in the runs folder: what stands here is old", true);
    announce(contact.textContent);
  }

  // Contact may be lost, or only the run: the page's own address tells.
  function ask() {
    const before = heard;
    const unless = (told) => { if (heard === before) told(); };
    fetch(location.pathname, { method: "HEAD", cache: "no-store" })
      .then((answer) => unless(answer.status === 404 ? miss : lose), () => unless(lose));
  }

  // A run may begin, or go, while the page is open.
  function arrange(order) {
    if ([...main.children].map((section) => section.id).join() === order.join()) return;
    main.replaceChildren(...order.map((id) => document.getElementById(id) || Object.assign(document.createElement("section"), { id })));
  }

  function show(order, parts) {
    arrange(order);
    for (const [id, html] of Object.entries(parts)) {
      const section = document.getElementById(id);
      const open = section.querySelector("details[open]") !== null;
      section.innerHTML = html;
      const details = section.querySelector("details");
      if (details) details.open = open;
      addLocalTime(section);
    }
    const plain = (selector) => (document.querySelector(selector)?.textContent || "").trim().replace(/\s+/g, " ");
    const state = [plain("h1 .state"), plain("h1 small")].filter(Boolean).join(", ");
    document.title = state ? state + ", " + plain(".where b") : "no run yet";
    announce([plain("#folder"), state && state + ".", plain("#calls")].filter(Boolean).join(" "));
  }

  function connect() {
    if (source) source.close();
    source = new EventSource(main.dataset.events);
    source.addEventListener("parts", (event) => {
      const told = JSON.parse(event.data);
      show(told.order, told.parts);
      hear(told.utc);
    });
    source.addEventListener("alive", (event) => hear(JSON.parse(event.data).utc));
    source.addEventListener("error", ask);
  }

  function watch() {
    const closed = source.readyState === EventSource.CLOSED;
    const silent = Date.now() - heard > patience;
    if (silent) lose();
    if (closed || silent) connect();
  }

  addLocalTime(document);
  connect();
  setInterval(watch, again);
  // A phone that was asleep looks at once.
  document.addEventListener("visibilitychange", () => { if (!document.hidden) watch(); });
})();
