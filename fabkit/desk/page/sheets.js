/* House sheet, parts book and order file: edited in a form or as text, judged by the desk. */

import { $, beside, el, refill, say, sentence } from "./dom.js";
import { ask, askText } from "./ask.js";
import { readLines, writeLine } from "./sheet_lines.js";

const SHEETS = {
  house: {
    title: "House sheet",
    path: "sheets/house",
    why: "What your board house can make, offers and charges. What you leave out has the default of its kind.",
  },
  parts: {
    title: "Parts book",
    path: "sheets/parts",
    why: "Which part is which, and what it costs where.",
  },
  order: {
    title: "Order file",
    path: "order.toml",
    why: "Everything that is wanted. fabkit order makes the same of it in a terminal.",
  },
};

/* The rows that name the sheets in use, each with what can be done with it. */
export function showSheets(place, state, edit) {
  const { choices } = state;
  const key = JSON.stringify([state.id, choices.house, choices.parts, Boolean(state.toml)]);
  if (place.dataset.key === key) return;
  place.dataset.key = key;
  const row = (kind, words, ...more) =>
    el("li", {},
      el("span", {}, el("strong", {}, SHEETS[kind].title), ": ", words),
      el("span", { className: "bar" }, ...more,
        el("button", { type: "button", id: "edit-" + kind, "aria-label": "Edit " + SHEETS[kind].title.toLowerCase(), onclick: () => edit(kind) }, "Edit"),
        el("a", { href: "/orders/" + state.id + "/" + SHEETS[kind].path, download: kind + ".toml", "aria-label": "Save a copy of " + SHEETS[kind].title.toLowerCase() }, "Save a copy")));
  const said = (sheet) => {
    if (!sheet) return "the bundled, invented example";
    if (sheet.error) return sentence(sheet.error);
    return sheet.name + (sheet.invented ? " (invented: enter your own limits and prices)" : "");
  };
  refill(place, el("ul", { className: "files" },
    row("house", said(choices.house),
      el("button", { type: "button", id: "learn", onclick: () => $("pick-files").click() }, "Learn prices from quotes"),
      el("a", { href: "/quotes.csv", download: "quotes.csv", "aria-label": "Save an example of a table of quotes" }, "Example table")),
    row("parts", said(choices.parts)),
    state.toml ? row("order", "order.toml, with everything you chose above") : null));
}

export class SheetEditor {
  constructor(taken) {
    this.box = $("sheet");
    this.taken = taken;
    $("sheet-save").addEventListener("click", () => this.save());
    $("sheet-close").addEventListener("click", () => this.close());
    this.box.addEventListener("cancel", (event) => {
      event.preventDefault();
      this.close();
    });
    $("sheet-form").addEventListener("submit", (event) => event.preventDefault());
    $("sheet-text").addEventListener("input", () => (this.text = $("sheet-text").value));
    $("sheet-find").addEventListener("input", () => this.filter());
    for (const button of this.box.querySelectorAll("[data-way]")) {
      button.addEventListener("click", () => this.turn(button.dataset.way));
    }
  }

  async open(id, kind, version) {
    Object.assign(this, { id, kind, version, asked: false });
    const { title, why, path } = SHEETS[kind];
    this.before = this.text = await askText("/orders/" + id + "/" + path);
    $("sheet-title").textContent = title;
    $("sheet-why").textContent = why;
    $("sheet-find").value = "";
    this.complain(null);
    this.turn("form");
    this.box.showModal();
    this.box.scrollTop = 0;
  }

  turn(way) {
    this.way = way;
    for (const button of this.box.querySelectorAll("[data-way]")) {
      button.setAttribute("aria-pressed", String(button.dataset.way === way));
    }
    const form = way === "form";
    $("sheet-fields").hidden = !form;
    $("sheet-find").hidden = !form;
    $("sheet-text").hidden = form;
    if (form) this.build();
    else $("sheet-text").value = this.text;
  }

  build() {
    this.rows = readLines(this.text);
    const tables = new Map();
    for (const row of this.rows) {
      if (row.key === "format") continue;
      if (!tables.has(row.table)) tables.set(row.table, []);
      tables.get(row.table).push(row);
    }
    const folds = [...tables].map(([table, rows], n) => {
      const words = (table.name || "about this file").replaceAll(".", " › ").replaceAll("_", " ");
      const title = words + (table.many && table.title ? ": " + table.title : "");
      return el("details", { className: "fold", open: n === 0 },
        el("summary", {}, title), ...rows.map((row) => this.field(row)));
    });
    $("sheet-fields").replaceChildren(...folds);
    this.filter();
  }

  field(row) {
    const id = "line-" + row.at;
    const shown = row.set ? String(row.value) : "";
    let control;
    if (row.kind === "switch") {
      control = el("select", { id },
        el("option", { value: "" }, "default"), el("option", { value: "true" }, "yes"), el("option", { value: "false" }, "no"));
      control.value = shown;
    } else {
      control = el("input", { id, value: shown, autocomplete: "off", placeholder: row.set ? "" : String(row.value) });
      if (row.kind === "number") control.inputMode = "decimal";
    }
    control.setAttribute("aria-describedby", id + "-why " + id + "-wrong");
    control.addEventListener("input", () => {
      this.text = writeLine(this.text, row, control.value);
      /* The line may have become a comment, or a value of it. */
      const again = readLines(this.text).find((one) => one.at === row.at);
      if (again) Object.assign(row, { start: again.start, end: again.end, set: again.set });
    });
    return el("div", { className: "field across" },
      el("label", { htmlFor: id }, row.key.replaceAll("_", " ")),
      control,
      el("p", { className: "soft small", id: id + "-why" }, row.why + (row.set ? "" : (row.why ? "; " : "") + "default: " + row.value)),
      el("p", { className: "wrong", id: id + "-wrong", role: "alert" }));
  }

  filter() {
    const words = $("sheet-find").value.toLowerCase().split(/\s+/).filter(Boolean);
    for (const fold of $("sheet-fields").children) {
      const title = fold.querySelector("summary").textContent.toLowerCase();
      let shown = 0;
      for (const field of fold.querySelectorAll(".field")) {
        const input = field.querySelector("input, select");
        const text = title + " " + field.textContent.toLowerCase() + " " + input.value.toLowerCase();
        field.hidden = !words.every((word) => text.includes(word));
        shown += field.hidden ? 0 : 1;
      }
      fold.hidden = !shown;
      if (words.length) fold.open = shown > 0;
    }
  }

  /* What is wrong stands at the top, and beside the field or at the line it is about. */
  complain(error) {
    for (const old of this.box.querySelectorAll("[aria-invalid]")) old.removeAttribute("aria-invalid");
    for (const old of this.box.querySelectorAll(".field .wrong")) old.textContent = "";
    const where = error && error.line ? "Line " + error.line + ": " : "";
    const words = error ? where + beside(error) : "";
    $("sheet-wrong").textContent = words;
    if (!error || !error.line) return;
    const at = error.line - 1;
    const text = $("sheet-text");
    const start = this.text.split("\n").slice(0, at).reduce((sum, line) => sum + line.length + 1, 0);
    const field = this.way === "form" && $("line-" + at);
    if (field) {
      field.closest("details").hidden = field.closest(".field").hidden = false;
      field.closest("details").open = true;
      field.setAttribute("aria-invalid", "true");
      $("line-" + at + "-wrong").textContent = words;
      $("sheet-wrong").textContent = "";
      field.focus();
      return;
    }
    if (this.way === "form") this.turn("text");
    text.focus();
    text.setSelectionRange(start, start + this.text.split("\n")[at].length);
    const height = parseFloat(getComputedStyle(text).lineHeight) || 20;
    text.scrollTop = Math.max(0, (at - 4) * height);
    text.setAttribute("aria-invalid", "true");
  }

  async save() {
    this.complain(null);
    try {
      const state = await ask("/orders/" + this.id + "/" + SHEETS[this.kind].path, {
        method: "PUT",
        body: this.text,
        headers: { "Content-Type": "text/plain; charset=utf-8", "If-Match": String(this.version) },
      });
      this.before = this.text;
      this.box.close();
      say(SHEETS[this.kind].title + " saved.");
      this.taken(state);
    } catch (error) {
      if (error.status === 409) error.hint = "copy what you need of your text, close it without saving, and open it again";
      this.complain(error);
    }
  }

  close() {
    if (this.text !== this.before && !this.asked) {
      this.asked = true;
      $("sheet-wrong").textContent = "There are changes that are not saved. Save them, or close once more to lose them.";
      return;
    }
    this.box.close();
  }
}
