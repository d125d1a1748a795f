/* The board under glass: pan, zoom, turn over, point at things, fly to findings and back. */
"use strict";

const SVG = "http://www.w3.org/2000/svg";
const FLY_MS = 420;
const SETTLE_MS = 140;
const MOST_ZOOM = 160; /* px per mm */
const calm = matchMedia("(prefers-reduced-motion: reduce)");

class Viewer {
  constructor(root, data) {
    this.root = root;
    this.data = data;
    this.stage = root.querySelector(".stage");
    this.faces = [...root.querySelectorAll(".face")];
    this.marks = root.querySelector(".marks");
    this.pinBox = root.querySelector(".pins");
    this.tip = root.querySelector(".tip");
    this.readout = root.querySelector(".readout");
    this.backButton = root.querySelector("[data-do=back]");
    [this.x0, this.y0, this.x1, this.y1] = data.frame;
    [this.width, this.height] = data.size_mm;
    this.side = "top";
    this.view = { s: 1, x: 0, y: 0 };
    this.before = null;
    this.pointers = new Map();
    this.fitted = true;
    this.pins = [];
    for (const face of this.faces) {
      const picture = face.querySelector(".picture");
      picture.style.width = this.width + "px";
      picture.style.height = this.height + "px";
    }
    this.nameLayers();
    this.listen();
    if (data.places) this.showCauses(data);
    new ResizeObserver(() => (this.fitted ? this.fit(true) : this.paint())).observe(this.stage);
    this.turnTo("top");
    this.fit(true);
  }

  /* Titles inside the drawing name its layers; here they become switches instead of hints. */
  nameLayers() {
    for (const title of this.root.querySelectorAll(".picture svg title")) {
      title.parentNode.dataset.layer = title.textContent;
      title.remove();
    }
    for (const box of this.root.querySelectorAll("input[data-layer]")) {
      const set = () => {
        for (const part of this.root.querySelectorAll(".picture [data-layer]")) {
          if (part.dataset.layer === box.dataset.layer) {
            part.style.display = box.checked ? "inline" : "none";
          }
        }
        if (["findings", "known"].includes(box.dataset.layer)) {
          this.pinBox.classList.toggle(box.dataset.layer, box.checked);
        }
        if (box.dataset.layer === "names") {
          this.names = box.checked;
          this.paint();
        }
      };
      box.addEventListener("change", set);
      set();
    }
  }

  /* Marks what was found, in place of what was marked before, and flies to it from its text. */
  showCauses({ places: all, consequences }) {
    this.pins = [];
    this.pinBox.replaceChildren();
    all.forEach((places, cause) => {
      places.forEach((place, nth) => {
        const pin = document.createElement("button");
        pin.type = "button";
        pin.tabIndex = -1;
        pin.className = "pin " + consequences[cause] + (nth ? " further" : "");
        pin.textContent = String(cause + 1);
        pin.setAttribute("aria-label", "Cause " + (cause + 1));
        pin.addEventListener("click", () => {
          const item = document.getElementById(this.root.id + "-c" + (cause + 1));
          if (item.closest("details")) item.closest("details").open = true;
          item.scrollIntoView({ behavior: calm.matches ? "auto" : "smooth", block: "nearest" });
          this.fly(place);
          this.light(item);
        });
        this.pinBox.append(pin);
        this.pins.push({ pin, place });
      });
    });
    for (const link of this.root.querySelectorAll("[data-cause]")) {
      link.addEventListener("click", (event) => {
        event.preventDefault();
        this.fly(all[link.dataset.cause][link.dataset.place]);
        this.light(link.closest(".finding"));
        const behavior = calm.matches ? "auto" : "smooth";
        this.stage.scrollIntoView({ behavior, block: "nearest" });
      });
    }
    this.paint();
  }

  listen() {
    const { stage, root } = this;
    const act = {
      in: () => this.zoom(1.6),
      out: () => this.zoom(1 / 1.6),
      fit: () => this.fit(),
      turn: () => this.turn(),
      back: () => this.back(),
    };
    for (const button of root.querySelectorAll("[data-do]")) {
      button.addEventListener("click", act[button.dataset.do]);
    }
    stage.addEventListener("wheel", (event) => this.onWheel(event), { passive: false });
    stage.addEventListener("keydown", (event) => this.onKey(event));
    stage.addEventListener("pointerdown", (event) => this.onDown(event));
    stage.addEventListener("pointermove", (event) => this.onMove(event));
    for (const kind of ["pointerup", "pointercancel"]) {
      stage.addEventListener(kind, (event) => this.onUp(event));
    }
    stage.addEventListener("pointerleave", () => this.point(null));
  }

  light(item) {
    for (const other of this.root.querySelectorAll(".finding.lit")) other.classList.remove("lit");
    item.classList.add("lit");
  }

  /* Board millimetres to pixels of the stage, and back. */
  toStage(x, y) {
    const left = this.side === "top" ? x - this.x0 : this.x1 - x;
    return [left * this.view.s + this.view.x, (this.y1 - y) * this.view.s + this.view.y];
  }
  toBoard(px, py) {
    const left = (px - this.view.x) / this.view.s;
    const y = this.y1 - (py - this.view.y) / this.view.s;
    return [this.side === "top" ? this.x0 + left : this.x1 - left, y];
  }

  fitView() {
    const [w, h] = [this.stage.clientWidth, this.stage.clientHeight];
    const s = Math.max(0.05, Math.min((w - 24) / this.width, (h - 24) / this.height));
    return { s, x: (w - this.width * s) / 2, y: (h - this.height * s) / 2 };
  }
  fit(atOnce) {
    this.fitted = true;
    if (atOnce) this.set(this.fitView());
    else this.moveTo(this.fitView());
  }
  set(view) {
    this.view = view;
    this.paint();
  }
  keepInside(view) {
    const [w, h] = [this.stage.clientWidth, this.stage.clientHeight];
    const least = this.fitView().s / 2;
    const s = Math.min(MOST_ZOOM, Math.max(least, view.s));
    const edge = 60;
    return {
      s,
      x: Math.min(w - edge, Math.max(edge - this.width * s, view.x)),
      y: Math.min(h - edge, Math.max(edge - this.height * s, view.y)),
    };
  }
  zoom(factor, px = this.stage.clientWidth / 2, py = this.stage.clientHeight / 2) {
    this.stopFlight();
    this.fitted = false;
    const s = Math.min(MOST_ZOOM, Math.max(this.fitView().s / 2, this.view.s * factor));
    const k = s / this.view.s;
    this.set(
      this.keepInside({ s, x: px - (px - this.view.x) * k, y: py - (py - this.view.y) * k })
    );
  }
  pan(dx, dy) {
    this.stopFlight();
    this.fitted = false;
    this.set(this.keepInside({ ...this.view, x: this.view.x + dx, y: this.view.y + dy }));
  }

  turn() {
    /* The middle of what is seen stays in the middle. */
    const middle = [this.stage.clientWidth / 2, this.stage.clientHeight / 2];
    const [x, y] = this.toBoard(...middle);
    this.turnTo(this.side === "top" ? "bottom" : "top");
    const [px, py] = this.toStage(x, y);
    this.set({ ...this.view, x: this.view.x + middle[0] - px, y: this.view.y + middle[1] - py });
  }
  turnTo(side) {
    this.side = side;
    for (const face of this.faces) face.classList.toggle("away", face.dataset.side !== side);
    const seen = side === "top" ? "Front" : "Back";
    this.root.querySelector(".seen").textContent = seen;
    this.stage.dataset.side = side;
    this.target = null;
    this.paint();
  }

  fly(place) {
    if (!this.before) this.before = { side: this.side, view: { ...this.view }, fitted: this.fitted };
    this.backButton.disabled = false;
    if (place.side && place.side !== this.side) this.turnTo(place.side);
    const s = Math.max(this.fitView().s * 3, Math.min(this.view.s, this.fitView().s * 8));
    const left = this.side === "top" ? place.x - this.x0 : this.x1 - place.x;
    this.fitted = false;
    this.moveTo({
      s,
      x: this.stage.clientWidth / 2 - left * s,
      y: this.stage.clientHeight / 2 - (this.y1 - place.y) * s,
    });
  }
  back() {
    if (!this.before) return;
    const { side, view, fitted } = this.before;
    this.before = null;
    this.backButton.disabled = true;
    if (side !== this.side) this.turnTo(side);
    this.moveTo(view);
    this.fitted = fitted;
  }
  moveTo(goal) {
    this.stopFlight();
    if (calm.matches) {
      this.set(goal);
      return;
    }
    const from = { ...this.view };
    const start = performance.now();
    /* The middle moves evenly while the scale changes by equal factors. */
    const [w, h] = [this.stage.clientWidth / 2, this.stage.clientHeight / 2];
    const centre = (v) => [(w - v.x) / v.s, (h - v.y) / v.s];
    const [a, b] = [centre(from), centre(goal)];
    const step = (now) => {
      const t = Math.min(1, (now - start) / FLY_MS);
      const k = t * t * (3 - 2 * t);
      const s = from.s * (goal.s / from.s) ** k;
      const [cx, cy] = [a[0] + (b[0] - a[0]) * k, a[1] + (b[1] - a[1]) * k];
      this.set(t < 1 ? { s, x: w - cx * s, y: h - cy * s } : goal);
      this.flight = t < 1 ? requestAnimationFrame(step) : 0;
    };
    this.flight = requestAnimationFrame(step);
  }
  stopFlight() {
    cancelAnimationFrame(this.flight);
    this.flight = 0;
  }

  /* While it moves, what was drawn last is stretched; once it rests it is drawn anew. */
  paint() {
    if (!this.queued) {
      this.queued = requestAnimationFrame(() => {
        this.queued = 0;
        this.draw();
      });
    }
    this.stage.classList.add("moving");
    clearTimeout(this.settling);
    this.settling = setTimeout(() => this.stage.classList.remove("moving"), SETTLE_MS);
  }
  draw() {
    const { s, x, y } = this.view;
    for (const face of this.faces) {
      const picture = face.querySelector(".picture");
      picture.style.transform = "translate(" + x + "px, " + y + "px) scale(" + s + ")";
    }
    this.stage.dataset.scale = s.toFixed(4);
    const [w, h] = [this.stage.clientWidth, this.stage.clientHeight];
    for (const { pin, place } of this.pins) {
      const [px, py] = this.toStage(place.x, place.y);
      const here = !place.side || place.side === this.side;
      pin.hidden = !here || px < -20 || py < -20 || px > w + 20 || py > h + 20;
      pin.style.transform = "translate(" + px.toFixed(1) + "px, " + py.toFixed(1) + "px)";
    }
    this.drawMarks();
  }

  drawMarks() {
    const made = [];
    const ring = (row, grow, name) => {
      const [px, py] = this.toStage(row[1] / 1000, row[2] / 1000);
      const circle = document.createElementNS(SVG, "circle");
      circle.setAttribute("cx", px.toFixed(1));
      circle.setAttribute("cy", py.toFixed(1));
      circle.setAttribute("r", ((row[3] / 2000) * this.view.s + grow).toFixed(1));
      circle.setAttribute("class", name);
      made.push(circle);
    };
    if (this.target) {
      const { hole, pad } = this.target;
      if (pad && pad[4]) {
        const same = this.rows().filter((row) => row[0] !== "h" && row[4] === pad[4]);
        for (const row of same.slice(0, 600)) ring(row, 2, "same");
      }
      ring(pad || hole, 4, "this");
    }
    if (this.names) {
      for (const part of this.data.components) {
        if (part.side !== this.side) continue;
        const [px, py] = this.toStage(part.x, part.y);
        const text = document.createElementNS(SVG, "text");
        text.setAttribute("x", px.toFixed(1));
        text.setAttribute("y", (py + 4).toFixed(1));
        text.textContent = part.ref;
        made.push(text);
      }
    }
    this.marks.replaceChildren(...made);
  }

  rows() {
    const other = this.side === "top" ? "b" : "t";
    return this.data.targets.rows.filter((row) => row[0] !== other);
  }
  find(px, py) {
    const [x, y] = this.toBoard(px, py);
    const reach = 5 / this.view.s;
    const other = this.side === "top" ? "b" : "t";
    const best = { h: null, p: null };
    const near = { h: Infinity, p: Infinity };
    for (const row of this.data.targets.rows) {
      if (row[0] === other) continue;
      const away = Math.hypot(row[1] / 1000 - x, row[2] / 1000 - y) - row[3] / 2000;
      const kind = row[0] === "h" ? "h" : "p";
      if (away < reach && away < near[kind]) {
        near[kind] = away;
        best[kind] = row;
      }
    }
    if (!best.h && !best.p) return null;
    return { hole: best.h, pad: best.p };
  }
  say(target) {
    const words = this.data.targets.words;
    const parts = [];
    if (target.hole) {
      parts.push((target.hole[3] / 1000).toFixed(2) + " mm, " + words[target.hole[4]]);
    }
    if (target.pad) {
      const pin = words[target.pad[5]];
      const part = this.data.components.find((c) => pin.startsWith(c.ref + " pin "));
      if (pin) parts.push(pin + (part && part.value ? " (" + part.value + ")" : ""));
      if (words[target.pad[4]]) parts.push("net " + words[target.pad[4]]);
      if (!pin && !words[target.pad[4]] && !target.hole) {
        parts.push("pad, " + (target.pad[3] / 1000).toFixed(2) + " mm");
      }
    }
    return parts.join(" · ");
  }
  point(at) {
    const target = at && this.find(...at);
    if (!target && !this.target) {
      if (at) this.sayWhere(at);
      return;
    }
    this.target = target;
    this.tip.hidden = !target;
    if (target) {
      const text = this.say(target);
      this.tip.textContent = text;
      this.readout.textContent = text;
      const right = at[0] > this.stage.clientWidth * 0.6;
      this.tip.style.transform =
        "translate(" + (at[0] + (right ? -14 : 14)) + "px, " + (at[1] + 14) + "px)" +
        (right ? " translateX(-100%)" : "");
    } else if (at) {
      this.sayWhere(at);
    }
    this.drawMarks();
  }
  sayWhere(at) {
    const [x, y] = this.toBoard(...at);
    this.readout.textContent = "x " + x.toFixed(2) + ", y " + y.toFixed(2) + " mm";
  }

  at(event) {
    const box = this.stage.getBoundingClientRect();
    return [event.clientX - box.left - this.stage.clientLeft,
            event.clientY - box.top - this.stage.clientTop];
  }
  onWheel(event) {
    /* The page scrolls until the board has been chosen by a click or by the keyboard. */
    if (!event.ctrlKey && !this.stage.contains(document.activeElement)) return;
    event.preventDefault();
    const lines = event.deltaMode === 1 ? 16 : 1;
    this.zoom(Math.exp((-event.deltaY * lines) / 420), ...this.at(event));
  }
  onKey(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const keys = {
      ArrowLeft: () => this.pan(60, 0),
      ArrowRight: () => this.pan(-60, 0),
      ArrowUp: () => this.pan(0, 60),
      ArrowDown: () => this.pan(0, -60),
      "+": () => this.zoom(1.3),
      "=": () => this.zoom(1.3),
      "-": () => this.zoom(1 / 1.3),
      0: () => this.fit(),
      t: () => this.turn(),
      Escape: () => this.back(),
    };
    const does = keys[event.key];
    if (!does) return;
    event.preventDefault();
    does();
    requestAnimationFrame(() =>
      this.point([this.stage.clientWidth / 2, this.stage.clientHeight / 2])
    );
  }
  onDown(event) {
    if (event.target.closest(".pin") || event.button > 0) return;
    this.stopFlight();
    this.stage.focus({ preventScroll: true });
    this.stage.setPointerCapture(event.pointerId);
    this.pointers.set(event.pointerId, this.at(event));
  }
  onMove(event) {
    const now = this.at(event);
    const last = this.pointers.get(event.pointerId);
    if (!last) {
      this.point(event.target.closest(".pin") ? null : now);
      return;
    }
    if (this.pointers.size === 2) {
      const other = [...this.pointers].find(([id]) => id !== event.pointerId)[1];
      const was = Math.hypot(last[0] - other[0], last[1] - other[1]);
      const is = Math.hypot(now[0] - other[0], now[1] - other[1]);
      if (was > 0 && is > 0) this.zoom(is / was, (now[0] + other[0]) / 2, (now[1] + other[1]) / 2);
      this.pan((now[0] - last[0]) / 2, (now[1] - last[1]) / 2);
    } else {
      this.pan(now[0] - last[0], now[1] - last[1]);
    }
    this.pointers.set(event.pointerId, now);
  }
  onUp(event) {
    this.pointers.delete(event.pointerId);
    if (event.pointerType !== "mouse") this.point(this.at(event));
  }
}
