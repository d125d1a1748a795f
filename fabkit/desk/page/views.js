/* Parts of the page that the desk has rendered: the report's own sections, started again here. */

import { $, el, refill } from "./dom.js";
import { leadOn } from "./leads.js";
import { askText } from "./ask.js";

/* These stand in the report's own scripts, which share one scope. */
/* global Viewer, PriceForm, startTicks, startFilters, startWipes */

function parsed(html) {
  const holder = document.createElement("template");
  holder.innerHTML = html;
  const data = holder.content.querySelector("script[data-for]");
  const value = data ? JSON.parse(data.textContent) : null;
  for (const script of holder.content.querySelectorAll("script")) script.remove();
  return { content: holder.content, value };
}

export class Views {
  constructor(kept, setAside) {
    this.kept = kept;
    this.setAside = setAside;
    this.clear();
  }

  /* Another order: nothing of the one before stays. */
  clear(id = null) {
    this.id = id;
    this.shown = {};
    this.viewers = [];
    this.causes = null;
    for (const name of ["changed", "cost", "parts", "thickness", "wiring", "package"]) {
      $(name + "-part").replaceChildren();
    }
    $("boards").replaceChildren();
  }

  /* Fetches every part that is another one than the one shown; gives their names. */
  async show(digests) {
    const id = this.id;
    const fresh = [];
    for (const name of ["picture", "verdict", "cost", "parts", "thickness", "wiring", "package", "changed"]) {
      if (!digests[name]) {
        if (this.shown[name]) this.take(name, "");
        delete this.shown[name];
        continue;
      }
      if (this.shown[name] === digests[name]) continue;
      const html = await askText("/orders/" + id + "/views/" + name);
      if (this.id !== id) return [];
      this.take(name, html);
      this.shown[name] = digests[name];
      fresh.push(name);
    }
    return fresh;
  }

  take(name, html) {
    const { content, value } = parsed(html);
    if (name === "picture") this.takePicture(content, value);
    else if (name === "verdict") this.takeVerdict(content, value);
    else this.takeSection(name, content, value);
  }

  takePicture(content, value) {
    const place = $("boards");
    const before = this.viewers.map(({ side, view, fitted }) => ({ side, view, fitted }));
    const money = place.querySelector(".money");
    for (const root of content.querySelectorAll(".viewer")) {
      root.classList.add("with-findings");
      const side = document.createElement("div");
      side.className = "pictured";
      side.append(...root.children);
      const left = document.createElement("div");
      left.className = "left";
      left.innerHTML = '<p class="pending">The checks are running.</p>';
      root.append(left, side);
    }
    place.replaceChildren(content);
    this.viewers = value
      ? value.boards.map((board, n) => new Viewer($("board-" + (n + 1)), board))
      : [];
    this.viewers.forEach((viewer, n) => {
      const was = before[n];
      if (!was) return;
      viewer.turnTo(was.side);
      if (!was.fitted) Object.assign(viewer, { fitted: false, view: was.view });
      viewer.paint();
    });
    if (money) this.placeMoney(money);
    if (this.causes) this.placeCauses();
  }

  takeVerdict(content, value) {
    this.causes = value && { content, boards: value.boards };
    if (value) this.placeCauses();
  }

  /* Causes stand beside the picture of their board, and are marked on it. */
  placeCauses() {
    this.viewers.forEach((viewer, n) => {
      const found = this.causes.content.querySelector("[data-board=" + viewer.root.id + "]");
      const data = this.causes.boards[n];
      if (!found || !data) return;
      const left = viewer.root.querySelector(".left");
      /* Where the picture is drawn anew, causes are placed again: theirs is the copy. */
      refill(left, found.cloneNode(true));
      for (const cause of left.querySelectorAll("[data-rule]")) {
        const { rule } = cause.dataset;
        cause.querySelector("details").append(
          el("button", { type: "button", className: "slight", onclick: () => this.setAside(rule) }, "Set aside, with a reason")
        );
      }
      for (const head of viewer.root.querySelectorAll(".pictured > h3")) head.remove();
      leadOn(left);
      viewer.showCauses(data);
    });
  }

  placeMoney(money) {
    const first = document.querySelector("#boards .pictured");
    if (first) first.prepend(money);
  }

  takeSection(name, content, value) {
    const place = $(name + "-part");
    leadOn(content);
    if (name === "cost") {
      const money = content.querySelector(".money");
      const old = document.querySelector("#boards .money");
      if (old) old.remove();
      if (money) this.placeMoney(money);
    }
    refill(place, content);
    if (name === "cost" && value && $("price-form")) new PriceForm($("price-form"), value);
    if (name === "changed") startWipes();
    else {
      startTicks(this.kept(), place);
      startFilters(place);
    }
  }
}
