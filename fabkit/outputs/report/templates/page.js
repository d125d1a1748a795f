/* Theme, ticks and filters; what the visitor chose is kept in the browser where that is allowed. */
"use strict";

const keeper = (id) => ({
  get(name) {
    try {
      return localStorage.getItem("fabkit " + id + " " + name);
    } catch {
      return null;
    }
  },
  set(name, value) {
    try {
      localStorage.setItem("fabkit " + id + " " + name, value);
    } catch {
      /* Private windows and strict settings: the page works, it only forgets. */
    }
  },
});

function startTheme(kept) {
  const root = document.documentElement;
  const button = document.querySelector("[data-do=theme]");
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const now = () => root.dataset.theme || (dark.matches ? "dark" : "light");
  const name = () => {
    button.textContent = now() === "dark" ? "Light" : "Dark";
  };
  const saved = kept.get("theme");
  if (saved === "dark" || saved === "light") root.dataset.theme = saved;
  button.addEventListener("click", () => {
    root.dataset.theme = now() === "dark" ? "light" : "dark";
    kept.set("theme", root.dataset.theme);
    name();
  });
  dark.addEventListener("change", name);
  name();
}

function startTicks(kept, root = document) {
  const boxes = [...root.querySelectorAll("input[data-tick]")];
  const counts = () => {
    for (const place of root.querySelectorAll("[data-count]")) {
      const mine = boxes.filter((box) => box.dataset.tick.startsWith(place.dataset.count));
      place.textContent = mine.filter((box) => box.checked).length + " of " + mine.length + " done";
    }
  };
  let ticked = [];
  try {
    ticked = JSON.parse(kept.get("ticks") || "[]");
  } catch {
    ticked = [];
  }
  for (const box of boxes) {
    box.checked = Array.isArray(ticked) && ticked.includes(box.dataset.tick);
    box.addEventListener("change", () => {
      const done = boxes.filter((b) => b.checked).map((b) => b.dataset.tick);
      kept.set("ticks", JSON.stringify(done));
      counts();
    });
  }
  for (const button of root.querySelectorAll("[data-do=untick]")) {
    button.addEventListener("click", () => {
      for (const box of boxes) box.checked = false;
      kept.set("ticks", "[]");
      counts();
    });
  }
  counts();
}

function startFilters(root = document) {
  for (const box of root.querySelectorAll("[data-filter]")) {
    const rows = [...document.querySelectorAll(box.dataset.filter)];
    const told = document.querySelector("[data-told='" + box.id + "']");
    const apply = () => {
      const words = box.value.toLowerCase().split(/\s+/).filter(Boolean);
      let shown = 0;
      for (const row of rows) {
        const text = row.textContent.toLowerCase();
        row.hidden = !words.every((word) => text.includes(word));
        shown += row.hidden ? 0 : 1;
      }
      if (told) told.textContent = shown + " of " + rows.length;
    };
    box.addEventListener("input", apply);
    apply();
  }
}
