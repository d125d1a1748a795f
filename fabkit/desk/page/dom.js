/* Making elements of plain values: texts become text, never markup. */

export const $ = (id) => document.getElementById(id);

export function el(tag, properties = {}, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (name in made && !name.startsWith("aria")) made[name] = value;
    else made.setAttribute(name, value === true ? "" : value);
  }
  made.append(...children.filter((child) => child !== null && child !== undefined));
  return made;
}

/* Words that our messages begin with; all others may be names, which stay as their owner wrote them. */
const OPENING = /^(a|all|an|another|each|it|more|no|nothing|one|only|several|that|the|there|this|too|what|with) /;

/* A sentence begins with a capital, unless with a name, and ends with a stop. */
export function sentence(text) {
  const words = String(text || "").trim();
  if (!words) return "";
  const first = OPENING.test(words) ? words[0].toUpperCase() : words[0];
  return first + words.slice(1) + (/[.!?:]$/.test(words) ? "" : ".");
}

/* Advice is an order, and begins with its verb. */
export const capital = (text) => text.slice(0, 1).toUpperCase() + text.slice(1);

/* An error beside the field or line it is about, which need not be named again. */
export function beside({ message, hint }, { key = false } = {}) {
  const short = message.replace(/^[^\s:]+\.toml(:\d+)?: /, "");
  return (sentence(key ? short.replace(/^[\w."-]+: /, "") : short) + " " + capital(sentence(hint))).trim();
}

export const plural = (n, noun) => n + " " + noun + (n === 1 ? "" : "s");

export function bytesText(n) {
  if (n < 1000) return plural(n, "byte");
  return n < 1e6 ? Math.round(n / 1000) + " kB" : (n / 1e6).toFixed(1) + " MB";
}

/* Told to a screen reader once things rest, so that a run is not read out step by step. */
let waiting = 0;
export function say(text, patience = 600) {
  clearTimeout(waiting);
  waiting = setTimeout(() => ($("said").textContent = text), patience);
}

/* A notice stays until it is closed; the same key replaces the one before. */
export function notice(key, { message, hint = "", line = null, tone = "stop" }) {
  if (key !== "notes") forget(key);
  const text = el("p", {}, el("strong", {}, sentence(message)));
  if (line) text.append(" Line " + line + ".");
  const box = el("div", { className: "notice is-" + tone, role: tone === "stop" ? "alert" : "status" }, text);
  if (hint) box.append(el("p", { className: "do" }, capital(sentence(hint))));
  box.dataset.key = key;
  box.append(
    el("button", {
      type: "button",
      "aria-label": "Close this message",
      onclick: () => {
        box.remove();
        $("main").focus({ preventScroll: true });
      },
    }, "Close")
  );
  $("notices").append(box);
}

export function forget(key) {
  for (const box of [...$("notices").children]) {
    if (key === undefined || box.dataset.key === key) box.remove();
  }
}

/* A question before what cannot be taken back. */
export function sure(words, yes) {
  const box = $("sure");
  $("sure-words").textContent = words;
  $("sure-yes").textContent = yes;
  box.returnValue = "";
  box.showModal();
  $("sure-no").focus();
  return new Promise((done) =>
    box.addEventListener("close", () => done(box.returnValue === "yes"), { once: true })
  );
}

/* Replaces what is in a place, keeping what was opened and where the keyboard is. */
export function refill(place, ...children) {
  const open = [...place.querySelectorAll("details")].map((fold) => fold.open);
  const focused = place.contains(document.activeElement) ? document.activeElement.id : "";
  place.replaceChildren(...children);
  [...place.querySelectorAll("details")].forEach((fold, n) => {
    if (open[n]) fold.open = true;
  });
  if (focused && $(focused)) $(focused).focus({ preventScroll: true });
}
