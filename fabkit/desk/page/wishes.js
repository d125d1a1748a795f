/* What is wanted: controls filled with what the desk offers; each change is sent at once. */

import { $, beside, el } from "./dom.js";

const PATIENCE_MS = 450;

/* A key of a dotted path; in quotes it may hold dots. */
export const quoted = (key) => '"' + key.replace(/[\\"]/g, "\\$&") + '"';

const same = (a, b) => a === b || (a !== "" && b !== "" && Number(a) === Number(b));

export class Wishes {
  constructor(form, change) {
    this.form = form;
    this.change = change;
    this.shape = "";
    this.fields = new Map();
    this.timers = new Map();
    this.state = null;
    form.addEventListener("submit", (event) => event.preventDefault());
  }

  /* Fills the form; controls are made anew only when other ones are needed. */
  show(state) {
    const { choices } = state;
    this.state = state;
    const wanted = this.described(state);
    const shape = JSON.stringify(wanted.map(({ value, ...rest }) => rest));
    if (shape !== this.shape) {
      this.shape = shape;
      this.build(wanted);
    }
    for (const { path, value } of wanted) this.put(path, value);
    $("want").hidden = choices.keyboards === undefined;
  }

  described({ name, choices }) {
    const fields = [];
    const add = (path, title, kind, value, more = {}) =>
      fields.push({ path, title, kind, value: value ?? "", ...more });
    const select = (path, title, held, more) =>
      held && held.offers && add(path, title, "select", held.value, { offers: held.offers, ...more });
    add("name", "Name", "text", name, { wide: true });
    (choices.boards || []).forEach((board, n) => {
      const many = choices.boards.length > 1;
      const found = board.readings.find((one) => one.value === board.found);
      const usual = found ? "as the files show: " + found.title : "as the files show";
      add("board." + n + ".is", board.name + " is", "select", board.reading, {
        offers: [{ value: "", title: usual }, ...board.readings],
        wide: true,
        part: many ? n : null,
      });
      if (board.edges.length) {
        add("board." + n + ".edge", "Outline of " + board.name, "select", board.edge, {
          offers: [{ value: "", title: "the likeliest" }, ...board.edges],
          wide: true,
        });
      }
    });
    add("want.keyboards", "Keyboards", "count", choices.keyboards, { least: 1 });
    add("want.spare_halves", "Spare halves", "count", choices.spare_halves, { least: 0 });
    add("want.quantities", "Boards of each design to price", "list", (choices.quantities || []).join(", "), {
      why: "such as 10, 20; empty: numbers near what you need",
    });
    select("options.thickness_mm", "Thickness", choices.thickness, { number: true, clear: true });
    select("options.copper_oz", "Copper", choices.copper, { number: true });
    select("options.colour", "Colour", choices.colour);
    select("options.finish", "Finish", choices.finish);
    select("options.lead_time", "Lead time", choices.lead_time);
    if (choices.extras && choices.extras.offers.length) {
      add("options.extras", "Extras", "several", choices.extras.value, {
        offers: choices.extras.offers,
        wide: true,
      });
    }
    add("mend", "Mend the files before ordering, where there is one right answer", "tick", choices.mend, { wide: true });
    if (choices.mend_with.offers.length) {
      add("mend_with", "Mend by your house's limits, too", "several", choices.mend_with.value, {
        offers: choices.mend_with.offers,
        wide: true,
      });
    }
    return fields;
  }

  build(wanted) {
    const focused = this.form.contains(document.activeElement) ? document.activeElement.id : "";
    this.fields.clear();
    this.form.replaceChildren(...wanted.map((field) => this.field(field)));
    if (focused && $(focused)) $(focused).focus({ preventScroll: true });
  }

  field(field) {
    const id = "wish-" + field.path.replace(/\W/g, "-");
    const wrong = el("p", { className: "wrong", id: id + "-wrong" });
    const named = { id, "aria-describedby": id + "-wrong" + (field.why ? " " + id + "-why" : "") };
    let control;
    if (field.kind === "select") {
      control = el("select", named, ...this.offers(field));
      control.addEventListener("change", () => this.send(field, control.value));
    } else if (field.kind === "tick") {
      control = el("input", { ...named, type: "checkbox" });
      control.addEventListener("change", () => this.send(field, control.checked));
    } else if (field.kind === "several") {
      control = el("fieldset", { id }, el("legend", {}, field.title));
      for (const { value, title } of field.offers) {
        const box = el("input", { type: "checkbox", value, id: id + "-" + value });
        box.addEventListener("change", () =>
          this.send(field, [...control.querySelectorAll("input:checked")].map((one) => one.value))
        );
        control.append(el("label", {}, box, title.replaceAll("-", " ")));
      }
    } else {
      const count = field.kind === "count";
      control = el("input", { ...named, type: count ? "number" : "text", autocomplete: "off" });
      if (count) Object.assign(control, { min: field.least, step: 1, inputMode: "numeric" });
      control.addEventListener("input", () => this.later(field, control, count ? PATIENCE_MS : 1500));
      control.addEventListener("change", () => this.later(field, control, 0));
    }
    this.fields.set(field.path, { field, control, wrong });
    const box = el("div", { className: "field" + (field.wide ? " broad" : "") });
    const label = el("label", { htmlFor: id }, field.title);
    if (field.kind === "several") box.append(control);
    else if (field.kind === "tick") box.append(el("label", { className: "ticked" }, control, field.title));
    else box.append(label, control);
    if (field.why) box.append(el("p", { className: "soft small", id: id + "-why" }, field.why));
    if (field.part !== null && field.part !== undefined) {
      box.append(
        el("button", {
          type: "button",
          className: "slight",
          onclick: () => this.change({ ["board." + field.part]: null }, (error) => this.fail(field.path, error)),
        }, "Leave this board out")
      );
    }
    box.append(wrong);
    return box;
  }

  offers({ offers }) {
    return offers.map(({ value, title }) => el("option", { value: value ?? "" }, title));
  }

  put(path, value) {
    const { field, control } = this.fields.get(path);
    if (this.timers.has(path)) return;
    if (field.kind === "tick") control.checked = value === true;
    else if (field.kind === "several") {
      for (const box of control.querySelectorAll("input")) box.checked = value.includes(box.value);
    } else if (field.kind === "select") {
      const there = [...control.options].find((one) => same(one.value, String(value)));
      /* What the sheet does not offer is shown as it is: the checks say what is wrong with it. */
      if (!there) control.append(el("option", { value }, value + " (not offered)"));
      control.value = there ? there.value : value;
    } else if (control.value !== String(value) && !(control === document.activeElement && control.dataset.wrong)) {
      control.value = value;
    }
  }

  later(field, control, patience) {
    clearTimeout(this.timers.get(field.path));
    if (!patience && control.value === control.dataset.sent) {
      this.timers.delete(field.path);
      return;
    }
    this.timers.set(
      field.path,
      setTimeout(() => {
        control.dataset.sent = control.value;
        this.send(field, control.value).finally(() => {
          this.timers.delete(field.path);
          this.show(this.state);
        });
      }, patience)
    );
  }

  /* Values as the order file holds them; null takes the key out. */
  valueOf(field, given) {
    if (field.kind === "count") return given.trim() === "" || !Number.isFinite(Number(given)) ? given : Number(given);
    if (field.kind === "list") {
      const words = given.split(/[\s,;]+/).filter(Boolean);
      return words.length ? words.map((word) => (Number.isFinite(Number(word)) ? Number(word) : word)) : null;
    }
    if (field.kind === "select" && given === "") return null;
    if (field.kind === "several" && !given.length) return null;
    return field.number ? Number(given) : given;
  }

  async send(field, given) {
    this.fail(field.path, null);
    const value = this.valueOf(field, given);
    await this.change({ [field.path]: value }, (error) => this.fail(field.path, error));
  }

  fail(path, error) {
    const { control, wrong } = this.fields.get(path) || {};
    if (!control) return;
    wrong.textContent = error ? beside(error, { key: true }) : "";
    if (error) {
      control.setAttribute("aria-invalid", "true");
      control.dataset.wrong = "1";
      wrong.setAttribute("role", "alert");
    } else {
      control.removeAttribute("aria-invalid");
      delete control.dataset.wrong;
    }
  }
}

/* A form of a row that is kept in the order: what a reference is, or a rule that is set aside. */
export function listed(rows, nothing) {
  return rows.length ? el("ul", { className: "files" }, ...rows) : el("p", { className: "soft" }, nothing);
}

export function showAssign(place, { choices }, change) {
  const { assign = [], assign_offers: offers = [], mapping = {} } = choices;
  place.hidden = !assign.length && !Object.keys(mapping).length;
  if (place.hidden) return;
  const key = JSON.stringify([assign, offers, mapping]);
  if (place.dataset.key === key) return;
  place.dataset.key = key;
  const refs = el("datalist", { id: "refs" }, ...assign.map((one) => el("option", { value: one.ref, label: one.as })));
  const ref = el("input", { id: "assign-ref", required: true, autocomplete: "off" });
  ref.setAttribute("list", "refs");
  const taken = el("p", { className: "soft small", role: "status", id: "assign-now" });
  ref.addEventListener("input", () => {
    const now = assign.find((one) => one.ref === ref.value.trim());
    taken.textContent = now ? now.ref + " is taken for: " + now.as + "." : "";
  });
  const part = el("select", { id: "assign-part" }, ...offers.map(({ value, title }) => el("option", { value }, title)));
  const wrong = el("p", { className: "wrong", role: "alert" });
  const form = el("form", { className: "line" },
    el("div", { className: "field" }, el("label", { htmlFor: "assign-ref" }, "Reference (D* means all that begin with D)"), ref, refs),
    el("div", { className: "field" }, el("label", { htmlFor: "assign-part" }, "is"), part),
    el("button", { type: "submit" }, "Assign"));
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    wrong.textContent = "";
    const name = ref.value.trim();
    if (!name) {
      wrong.textContent = "Name a reference, such as D1.";
      ref.focus();
      return;
    }
    change({ ["map." + quoted(name)]: part.value }, (error) => (wrong.textContent = beside(error)));
  });
  const title = (value) => (offers.find((one) => one.value === value) || { title: value }).title;
  const rows = Object.entries(mapping).map(([name, value]) =>
    el("li", {}, el("span", {}, el("strong", {}, name), " is " + title(value)),
      el("button", { type: "button", className: "slight", "aria-label": "Take back what " + name + " is", onclick: () => change({ ["map." + quoted(name)]: null }) }, "Take back")));
  const open = place.querySelector("details")?.open;
  place.replaceChildren(
    el("h2", { id: "assign-title" }, "Taken wrongly?"),
    el("details", { className: "fold", open: open ?? rows.length > 0 }, el("summary", {}, "Say which part a reference is"), form, taken, wrong, listed(rows, "Every reference is as the files show it.")));
}

/* From a finding to the form that sets it aside. */
export function beginAside(rule) {
  const choice = $("aside-rule");
  if (!choice) return;
  choice.value = rule;
  choice.closest("details").open = true;
  $("aside-reason").focus();
}

export function showAside(place, { choices }, change) {
  const { findings = [], silenced = [] } = choices;
  place.hidden = !findings.length && !silenced.length;
  if (place.hidden) return;
  const key = JSON.stringify([findings, silenced]);
  if (place.dataset.key === key) return;
  place.dataset.key = key;
  const kept = silenced.map((one) => ({ rule: one.id, reason: one.reason }));
  const left = findings.filter((one) => !silenced.some((rule) => rule.id === one.id));
  const rule = el("select", { id: "aside-rule" }, ...left.map((one) => el("option", { value: one.id }, one.title)));
  const reason = el("input", { id: "aside-reason", required: true, autocomplete: "off", "aria-describedby": "aside-wrong" });
  const wrong = el("p", { className: "wrong", role: "alert", id: "aside-wrong" });
  const form = el("form", { className: "line" },
    el("div", { className: "field" }, el("label", { htmlFor: "aside-rule" }, "What was found"), rule),
    el("div", { className: "field" }, el("label", { htmlFor: "aside-reason" }, "Why it does not matter here"), reason),
    el("button", { type: "submit" }, "Set aside"));
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    if (!reason.value.trim()) {
      wrong.textContent = "Give a reason: it stands in every report.";
      reason.focus();
      return;
    }
    wrong.textContent = "";
    const value = { rule: rule.value, reason: reason.value.trim() };
    change({ silence: [...kept, value] }, (error) => (wrong.textContent = beside(error)));
  });
  const title = (id) => (findings.find((one) => one.id === id) || { title: id }).title;
  const rows = silenced.map((one, n) =>
    el("li", {}, el("span", {}, el("strong", {}, title(one.id)), ": " + one.reason),
      el("button", { type: "button", className: "slight", "aria-label": "Judge " + one.id + " again", onclick: () => change({ silence: kept.filter((_, k) => k !== n) }) }, "Judge again")));
  const open = place.querySelector("details")?.open;
  place.replaceChildren(
    el("h2", { id: "aside-title" }, "Set aside"),
    el("details", { className: "fold", open: open ?? rows.length > 0 },
      el("summary", {}, "Set a finding aside, with a reason"),
      left.length ? form : null, wrong, listed(rows, "Nothing is set aside.")));
}
