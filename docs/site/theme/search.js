// Finds sections of the pages.  Library and index are loaded when the field is first used.
"use strict";
const base = document.currentScript.dataset.base;
const form = document.querySelector("form");
const query = document.getElementById("query");
const found = document.getElementById("found");
const MOST = 12;
let index = null;
let sections = null;

// A list of pages is in the way of the text where there is no room beside it.
if (matchMedia("(max-width: 56rem)").matches) document.querySelector("nav details").open = false;
form.hidden = false;

function load(name) {
  return new Promise((done, failed) => {
    const script = document.createElement("script");
    script.src = `${base}/search/${name}`;
    script.onload = done;
    script.onerror = failed;
    document.head.append(script);
  });
}

let ready = null;
function prepare() {
  ready ??= load("lunr.js").then(() => load("sections.js")).then(() => {
    sections = new Map(window.fabkitSections.map((one) => [one.location, one]));
    lunr.tokenizer.separator = /[\s\-/.,:;()`]+/;
    index = lunr(function () {
      this.ref("location");
      this.field("title", { boost: 8 });
      this.field("text");
      for (const one of sections.values()) this.add(one);
    });
  });
  return ready;
}

function look(words) {
  const terms = words.toLowerCase().split(lunr.tokenizer.separator).filter(Boolean);
  const all = (presence) => index.query((asked) => {
    for (const term of terms) {
      asked.term(lunr.stemmer(new lunr.Token(term)).toString(), { boost: 4, presence });
      if (presence === lunr.Query.presence.OPTIONAL)
        asked.term(term, { wildcard: lunr.Query.wildcard.TRAILING });
    }
  });
  // Sections with all words, otherwise those with some, or with words that begin so.
  const strict = all(lunr.Query.presence.REQUIRED);
  return (strict.length ? strict : all(lunr.Query.presence.OPTIONAL)).slice(0, MOST);
}

async function show() {
  const words = query.value.trim();
  found.replaceChildren();
  found.hidden = !words;
  if (!words) return;
  await prepare();
  if (words !== query.value.trim()) return;
  const list = document.createElement("ol");
  for (const { ref } of look(words)) {
    const one = sections.get(ref);
    const item = document.createElement("li");
    const link = document.createElement("a");
    link.href = `${base}/${ref}`;
    link.textContent = one.title;
    const text = document.createElement("small");
    text.textContent = ` ${one.page === one.title ? "" : one.page}`;
    const start = document.createElement("p");
    start.textContent = one.text.length > 140 ? `${one.text.slice(0, 140)} …` : one.text;
    item.append(link, text, start);
    list.append(item);
  }
  const none = document.createElement("p");
  none.textContent = "Nothing found";
  found.replaceChildren(list.children.length ? list : none);
}

query.addEventListener("focus", prepare);
query.addEventListener("input", show);
form.addEventListener("submit", (event) => {
  event.preventDefault();
  found.querySelector("a")?.click();
});
document.addEventListener("keydown", (event) => {
  if (event.key === "Escape") { query.value = ""; found.hidden = true; }
  if (event.key === "/" && !/INPUT|TEXTAREA|SELECT/.test(document.activeElement.tagName)) {
    event.preventDefault();
    query.focus();
  }
});
