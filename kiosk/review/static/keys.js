// Keys of the review pages: t opens or closes every table, p prints, and links that say which key leads to them.
// A link with data-swap changes only the part of the page that it is about. Without this script all links still work.
"use strict";

addEventListener("keydown", (e) => {
  if (e.ctrlKey || e.altKey || e.metaKey || e.target.closest("input, select, textarea")) return;
  if (e.key === "t") {
    const all = [...document.querySelectorAll("details:not(.narrow)")];
    const open = !all.every((d) => d.open);
    all.forEach((d) => { d.open = open; });
  } else if (e.key === "p") {
    print();
  } else {
    const link = [...document.querySelectorAll("a[data-key]")].find((a) => a.dataset.key === e.key);
    if (!link) return;
    link.click();
  }
  e.preventDefault();
});

let latest = 0;

addEventListener("click", async (e) => {
  const link = e.target.closest("a[data-swap]");
  if (!link || e.ctrlKey || e.shiftKey || e.metaKey || e.button) return;
  e.preventDefault();
  const mine = ++latest;
  const key = link.dataset.key;
  const answer = await fetch(link.href);
  if (!answer.ok || answer.redirected) { location = link.href; return; }
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  if (mine !== latest) return;
  const open = [...document.querySelectorAll("#swap details")].map((d) => d.open);
  const held = document.activeElement === link;
  document.querySelector("#swap").replaceWith(document.adoptNode(page.querySelector("#swap")));
  document.querySelectorAll("#swap details").forEach((d, i) => { d.open = open[i]; });
  if (held && key) document.querySelector(`#swap a[data-key="${key}"]`)?.focus();
  history.replaceState(null, "", link.href);
});
