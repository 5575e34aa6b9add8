
"use strict";
(() => {
  // Keys for grams: only where scripts run; without them the field is typed into.
  for (const box of document.querySelectorAll("[data-digits]")) {
    const field = document.getElementById(box.dataset.digits);
    for (const word of ["1", "2", "3", "4", "5", "6", "7", "8", "9", ".", "0", "Clear"]) {
      const key = document.createElement("button");
      key.type = "button";
      key.textContent = word;
      key.addEventListener("click", () => { field.value = word === "Clear" ? "" : field.value + word; });
      box.append(key);
    }
  }

  // The value under the pointer or finger, or of the arrow keys: read off the table behind the chart.
  for (const figure of document.querySelectorAll("figure[data-chart]")) {
    const chart = figure.querySelector("svg"), out = figure.querySelector("output");
    const rows = [...figure.querySelectorAll("tbody tr")];
    if (!chart || !out || rows.length === 0) continue;
    const heads = [...figure.querySelectorAll("thead th")].map((head) => head.textContent);
    const times = rows.map((row) => Date.parse(row.querySelector("time").dateTime));
    const { left, right, width, from, to } = Object.fromEntries(Object.entries(chart.dataset).map(([k, v]) => [k, Number(v)]));
    const cursor = document.createElementNS("http://www.w3.org/2000/svg", "path");
    cursor.setAttribute("class", "cursor");
    chart.append(cursor);
    let at = rows.length - 1;
    const show = (place) => {
      at = Math.max(0, Math.min(rows.length - 1, place));
      const x = left + (times[at] - from) / (to - from) * (right - left);
      cursor.setAttribute("d", `M${x.toFixed(1)} 22V160`);
      const cells = [...rows[at].children].map((cell) => cell.textContent);
      out.textContent = cells.map((cell, i) => i === 0 ? cell : cell ? `${heads[i]} ${cell}` : "").filter(Boolean).join(", ");
    };
    const point = (event) => {
      const box = chart.getBoundingClientRect();
      const x = (event.clientX - box.left) / box.width * width;
      const time = from + (x - left) / (right - left) * (to - from);
      let best = 0;
      times.forEach((t, i) => { if (Math.abs(t - time) < Math.abs(times[best] - time)) best = i; });
      show(best);
    };
    chart.addEventListener("pointermove", point);
    chart.addEventListener("pointerdown", point);
    chart.tabIndex = 0;
    chart.addEventListener("keydown", (event) => {
      const by = { ArrowLeft: -1, ArrowRight: 1, Home: -rows.length, End: rows.length }[event.key];
      if (by === undefined) return;
      event.preventDefault();
      show(at + by);
    });
  }

  // A page of now reads itself anew when something happens, and once a minute.
  const live = document.querySelector("main[data-live]");
  if (!live) return;
  let last = 0, waiting = 0;
  const renew = async () => {
    waiting = 0;
    last = Date.now();
    if (live.contains(document.activeElement) && document.activeElement.matches("input,select,textarea")) return;
    try {
      const answer = await fetch(location.href, { headers: { accept: "text/html" } });
      if (!answer.ok) return;
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      const held = document.activeElement && live.contains(document.activeElement) ? document.activeElement.id : "";
      const open = [...live.querySelectorAll("details[id][open]")].map((one) => one.id);
      live.replaceChildren(...fresh.querySelector("main").childNodes);
      document.title = fresh.title;
      for (const id of open) document.getElementById(id)?.setAttribute("open", "");
      if (held) document.getElementById(held)?.focus();
    } catch { /* The machine is away: the page keeps what it last knew, with its time. */ }
  };
  const soon = (after) => { if (!waiting) waiting = setTimeout(renew, after); };
  setInterval(() => { if (Date.now() - last > 60000) soon(0); }, 20000);
  if (window.EventSource) {
    const events = new EventSource("/events");
    events.addEventListener("alert", () => soon(300));
    events.addEventListener("sample", () => soon(Math.max(300, 5000 - (Date.now() - last))));
  }
})();
