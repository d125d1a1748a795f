/* The desk: which order is open, what is known of it, and what is asked of the desk. */

import { $, beside, bytesText, capital, el, forget, notice, say, sentence } from "./dom.js";
import { Lost, ask, post } from "./ask.js";
import { sendAll, startDropping } from "./drop.js";
import { leadOn } from "./leads.js";
import { showCompare, showRecent } from "./orders.js";
import { showRoles } from "./roles.js";
import { SheetEditor, showSheets } from "./sheets.js";
import { Views } from "./views.js";
import { Wishes, beginAside, showAside, showAssign } from "./wishes.js";

/* From the report's own scripts. */
/* global keeper, startTheme */

const TOKEN = /^#[A-Za-z0-9_-]{16,}$/;
const TITLE = "fabkit desk";

function warn(key, said) {
  notice(key, said);
  leadOn($("notices").lastElementChild);
}

class Desk {
  constructor() {
    this.id = null;
    this.state = null;
    this.poll = null;
    this.queue = Promise.resolve();
    this.showing = Promise.resolve();
    this.wishes = new Wishes($("wishes"), (values, failed) => this.change(values, failed));
    this.editor = new SheetEditor((state) => this.take(state));
    this.views = new Views(() => keeper("desk " + this.id), beginAside);
  }

  /* Every deed of the page goes through here: what goes wrong is said, and where to go on. */
  async guarded(deed, { key = "deed", failed = null } = {}) {
    try {
      forget(key);
      return await deed();
    } catch (error) {
      if (error instanceof Lost) this.lose();
      else if (error.status === 401) this.lock();
      else if (error.status === 409) await this.reread(error);
      else if (error.status !== undefined) failed ? failed(error) : warn(key, error);
      else if (error.name !== "AbortError") throw error;
      return undefined;
    }
  }

  /* Where we are: the address holds the order, and nothing that is secret. */
  address() {
    return new URLSearchParams(location.search).get("order");
  }

  async start() {
    const token = TOKEN.test(location.hash) ? location.hash.slice(1) : "";
    if (token) history.replaceState(null, "", location.pathname + location.search);
    if (token) {
      const entered = await this.guarded(async () => (await post("/enter", { token }), true), {
        failed: () => {},
      });
      if (entered === undefined && !$("lost").hidden) return;
    }
    await this.route();
  }

  async route() {
    this.stopPolling();
    const id = this.address();
    for (const part of ["enter", "start", "order"]) $(part).hidden = true;
    for (const item of document.querySelectorAll(".of-order")) item.hidden = !id;
    document.title = TITLE;
    forget();
    if (id) await this.open(id);
    else {
      this.id = this.state = null;
      this.views.clear();
      await this.guarded(async () => {
        await showRecent((other) => this.go(other));
        /* Who has gone on meanwhile does not come back. */
        $("start").hidden = Boolean(this.id);
      });
    }
  }

  async go(id) {
    await this.leave();
    history.pushState(null, "", id ? "/?order=" + id : "/");
    await this.route();
    scrollTo(0, 0);
    $("main").focus({ preventScroll: true });
  }

  /* An order that nothing came into is not kept. */
  async leave() {
    const state = this.state;
    if (!state || state.running || state.toml || state.files.length) return;
    this.stopPolling();
    this.state = null;
    await this.guarded(() => ask("/orders/" + state.id, { method: "DELETE" }), { failed: () => {} });
  }

  async open(id) {
    this.id = id;
    this.state = null;
    this.views.clear(id);
    for (const name of ["assign", "aside", "roles", "compare", "sheets"]) {
      delete $(name).dataset.key;
      $(name).replaceChildren();
    }
    await this.guarded(
      async () => {
        const state = await ask("/orders/" + encodeURIComponent(id));
        if (this.id !== id) return;
        $("order").hidden = false;
        await this.take(state);
        if (this.id !== id) return;
        this.startPolling();
        await showCompare($("compare"), state, (other) => this.deed("revision", { from: other }));
      },
      {
        failed: async () => {
          if (this.id !== id) return;
          warn("gone", { message: "this order is not on the desk any more", hint: "choose another one, or begin a new one" });
          history.replaceState(null, "", "/");
          for (const item of document.querySelectorAll(".of-order")) item.hidden = true;
          await showRecent((other) => this.go(other));
          $("start").hidden = false;
        },
      }
    );
  }

  /* News of the order, as they come. */
  startPolling() {
    this.stopPolling();
    const poll = new AbortController();
    this.poll = poll;
    const listen = async () => {
      let wait = 0;
      while (!poll.signal.aborted) {
        try {
          /* After a silence the state is asked for at once, changed or not. */
          const since = this.state && $("lost").hidden ? "?since=" + this.state.version : "";
          const state = await ask("/orders/" + this.id + since, { signal: poll.signal });
          if (poll.signal.aborted) return;
          this.found();
          wait = 0;
          this.take(state);
        } catch (error) {
          if (error.name === "AbortError" || poll.signal.aborted) return;
          if (error.status === 401) return this.lock();
          if (error.status === 404) return this.route();
          if (!(error instanceof Lost) && error.status === undefined) throw error;
          this.lose();
          wait = Math.min(8000, wait ? wait * 2 : 500);
          await new Promise((done) => setTimeout(done, wait));
        }
      }
    };
    listen();
  }

  stopPolling() {
    if (this.poll) this.poll.abort();
    this.poll = null;
  }

  lose() {
    const text = "The desk does not answer: is it still running? Start “fabkit desk” again; this page goes on by itself where it can.";
    if ($("lost").textContent !== text || $("lost").hidden) $("lost").textContent = text;
    $("lost").hidden = false;
  }

  found() {
    if ($("lost").hidden) return;
    $("lost").hidden = true;
    say("The desk answers again.");
  }

  lock() {
    this.stopPolling();
    $("lost").hidden = true;
    for (const part of ["start", "order"]) $(part).hidden = true;
    for (const item of document.querySelectorAll(".of-order")) item.hidden = true;
    $("enter").hidden = false;
    $("password").focus();
  }

  /* Another tab was faster: the newer state is shown, and said. */
  async reread(error) {
    this.take(await ask("/orders/" + this.id));
    warn("other", { message: error.message, hint: "The newer state is shown now. " + sentence(error.hint), tone: "decide" });
  }

  async take(state) {
    if (!state || state.id !== this.id) return;
    /* Answers overtake each other; the latest state stays. */
    if (this.state && state.version < this.state.version) return;
    const before = this.state;
    this.state = state;
    this.showHead(state, before);
    if (state.choices && Object.keys(state.choices).length) {
      this.wishes.show(state);
      const change = (values, failed) => this.change(values, failed);
      showAssign($("assign"), state, change);
      showAside($("aside"), state, change);
      showRoles($("roles"), state, change);
    }
    showSheets($("sheets"), state, (kind) =>
      this.guarded(() => this.editor.open(this.id, kind, this.state.version)));
    this.showFiles(state);
    /* One after the other, each time those of the latest state. */
    this.showing = this.showing.then(async () => {
      if (!this.state || this.state.id !== state.id) return;
      const fresh = await this.guarded(() => this.views.show(this.state.views), { key: "views" });
      if (fresh && fresh.length && this.state) this.tell(fresh, this.state);
    });
    await this.showing;
  }

  showHead(state, before) {
    const name = state.name || (state.running ? "Reading" : "An order without a board");
    if ($("name").textContent !== name) $("name").textContent = name;
    document.title = name + " – " + TITLE;
    const packages = state.files.filter((file) => file.kind === "package");
    $("facts").textContent = packages.length
      ? packages.map((file) => file.name.split("/").pop()).join(", ")
      : "Add a zip or folder below.";
    $("running").hidden = !state.running;
    $("order").classList.toggle("at-work", state.running);
    $("stage").textContent = state.running ? capital(state.stage || "waiting") : "";
    if (state.share === null || state.share === undefined) $("share").removeAttribute("value");
    else $("share").value = state.share;
    const error = state.error;
    const key = error ? JSON.stringify(error) : "";
    if (key !== this.wrong) {
      this.wrong = key;
      if (error) warn("state", { ...error, tone: this.cancelled ? "know" : "stop" });
      else forget("state");
    }
    const notes = JSON.stringify(state.notes || []);
    if (notes !== this.noted) {
      this.noted = notes;
      forget("notes");
      for (const note of state.notes || []) {
        const said = typeof note === "string" ? { message: note } : note;
        if (!error || error.message !== said.message) warn("notes", { ...said, tone: "decide" });
      }
    }
    const step = (state.stage || "").split(":")[0];
    if (state.running && step && (!before || (before.stage || "").split(":")[0] !== step)) say(capital(step) + ".", 1200);
    const bars = document.querySelectorAll(".takes");
    const shown = JSON.stringify([state.downloads, state.running, Boolean(state.toml)]);
    if (shown !== this.taken) {
      this.taken = shown;
      const old = before ? before.downloads.map((file) => file.name) : [];
      const made = state.downloads.map((file) => file.name).filter((name) => !old.includes(name));
      if (before && made.length) say(made.join(", ") + " can be saved now.", 1200);
      bars.forEach((bar, n) => this.showTakes(bar, state, n === 0));
    }
    for (const button of document.querySelectorAll("[data-run]")) button.disabled = !state.toml;
  }

  /* The zip to upload and the order folder: made when they are asked for. */
  showTakes(bar, state, short) {
    const focused = bar.contains(document.activeElement);
    const made = state.downloads.filter((file) => file.name !== "order.toml");
    const links = made.map((file, n) =>
      el("a", { href: file.href, download: file.name, title: file.title, className: n ? "press" : "press main" }, "Save " + file.name));
    const ready = made.some((file) => /-order\.zip$/.test(file.name));
    bar.replaceChildren();
    if (!ready) {
      bar.append(el("button", { type: "button", className: "main", disabled: !state.toml || state.running, onclick: () => this.deed("deliver") }, "Make the zip and the order folder"));
    }
    if (short) bar.append(...links);
    else {
      $("downloads").replaceChildren(...state.downloads.map((file) =>
        el("li", {}, el("span", {}, el("a", { href: file.href, download: file.name }, file.name), ": " + file.title))));
    }
    if (focused) (bar.querySelector("a, button:enabled") || $("main")).focus({ preventScroll: true });
  }

  showFiles(state) {
    const key = JSON.stringify(state.files);
    if (this.listed === key) return;
    this.listed = key;
    $("file-list").replaceChildren(...state.files.filter((file) => file.kind === "package").map((file) =>
      el("li", {}, el("span", {}, el("strong", {}, file.name.split("/").pop())), el("span", { className: "soft small" }, bytesText(file.bytes)))));
  }

  /* What became known, in a few words. */
  tell(fresh, state) {
    const words = [];
    if (fresh.includes("verdict")) {
      const verdicts = [...document.querySelectorAll("#boards .verdict .word")].map((one) => one.textContent.trim());
      words.push("Verdict: " + verdicts.join("; ") + ".");
    }
    if (fresh.includes("cost")) {
      const sum = document.querySelector("#boards .money .sum");
      if (sum) words.push(sum.textContent.trim() + ".");
    }
    if (fresh.includes("changed")) {
      words.push("What changed is shown.");
      $("changed-part").scrollIntoView({ block: "start" });
    }
    if (words.length) say(words.join(" "), state.running ? 1000 : 300);
  }

  /* Changes go one after the other, each on the state that the one before gave. */
  change(values, failed) {
    const id = this.id;
    this.queue = this.queue.then(() =>
      this.guarded(
        async () => {
          const state = await post("/orders/" + id + "/change", { set: values }, { "If-Match": String(this.state.version) });
          this.take(state);
        },
        { failed }
      )
    );
    return this.queue;
  }

  deed(name, given = {}) {
    this.cancelled = name === "cancel";
    return this.guarded(async () => this.take(await post("/orders/" + this.id + "/" + name, given)));
  }

  /* Takes what was dropped: into the open order, or into a new one. */
  async takeFiles(read, anew) {
    const reading = read();
    await this.guarded(async () => {
      const dropped = await reading;
      if (!dropped.length) return;
      if (anew || !this.id) {
        const { id } = await post("/orders");
        await this.go(id);
      }
      const id = this.id;
      const refused = await sendAll(id, dropped, (name) => ($("stage").textContent = "Adding " + name));
      const state = await ask("/orders/" + id);
      if (refused.length === dropped.length && !state.files.length && !state.toml) {
        await ask("/orders/" + id, { method: "DELETE" });
        await this.go(null);
      } else await this.take(state);
      refused.forEach(({ name, error }, n) =>
        warn("refused " + n, { ...error, message: error.message.includes(name) ? error.message : name + ": " + error.message, hint: error.hint }));
    });
  }
}

document.documentElement.classList.add("live");
startTheme(keeper("desk"));
const desk = new Desk();
window.fabkitDesk = desk;
startDropping({
  take: (read, anew) => desk.takeFiles(read, anew),
  isOpen: () => Boolean(desk.id),
});
addEventListener("popstate", () => desk.route());
$("home").addEventListener("click", (event) => {
  if (event.metaKey || event.ctrlKey || event.shiftKey) return;
  event.preventDefault();
  desk.go(null);
});
$("demo").addEventListener("click", () =>
  desk.guarded(async () => desk.go((await post("/orders", { demo: true })).id)));
$("cancel").addEventListener("click", () => desk.deed("cancel"));
for (const button of document.querySelectorAll("[data-run]")) {
  button.addEventListener("click", () => desk.deed(button.dataset.run));
}
$("enter-form").addEventListener("submit", (event) => {
  event.preventDefault();
  $("password-wrong").textContent = "";
  desk.guarded(
    async () => {
      await post("/enter", { password: $("password").value });
      $("password").value = "";
      await desk.route();
    },
    { failed: (error) => ($("password-wrong").textContent = beside(error)) }
  );
});
desk.start();
