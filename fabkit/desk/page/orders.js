/* Recent orders: each can be opened, and deleted after a question. */

import { $, el, plural, say, sure } from "./dom.js";
import { ask } from "./ask.js";

const TONES = { "fit to order": "good", "decide before ordering": "decide", "do not order": "stop" };

export const toneOf = (verdict) =>
  (Object.entries(TONES).find(([words]) => (verdict || "").toLowerCase().startsWith(words)) || [0, "know"])[1];

export function whenText(stamp) {
  const when = new Date(stamp);
  if (Number.isNaN(when.getTime())) return "";
  return when.toLocaleString("en-GB", { dateStyle: "medium", timeStyle: "short" });
}

const nameOf = (order) => (order.name || "Order without a name") + (order.revision > 1 ? ", revision " + order.revision : "");

function totalOf({ best, total }) {
  if (!total) return "";
  return best && best.boards ? plural(best.boards, "board") + ": " + total : total;
}

export async function showRecent(open) {
  const { orders, folder, demo } = await ask("/orders");
  $("demo").hidden = !demo;
  $("where").textContent = "Orders lie in " + folder + ". You can copy them, and delete them there, too.";
  const rows = orders.map((order) =>
    el("li", {},
      el("a", { href: "/?order=" + order.id, className: "title", onclick: (event) => {
        if (event.metaKey || event.ctrlKey || event.shiftKey) return;
        event.preventDefault();
        open(order.id);
      } }, nameOf(order)),
      el("span", { className: "chip is-" + toneOf(order.verdict) }, order.verdict || "not worked out yet"),
      el("span", { className: "total" }, totalOf(order)),
      el("span", { className: "soft small" }, whenText(order.changed)),
      el("button", { type: "button", className: "slight", "aria-label": "Delete " + nameOf(order), onclick: async () => {
        const words = "Delete " + nameOf(order) + " with its files and everything made of them? This cannot be taken back.";
        if (!(await sure(words, "Delete"))) return;
        await ask("/orders/" + order.id, { method: "DELETE" });
        await showRecent(open);
        say(nameOf(order) + " is deleted.");
        $("main").focus({ preventScroll: true });
      } }, "Delete")));
  $("recent").replaceChildren(...rows);
  $("recent").hidden = $("recent-title").hidden = !rows.length;
}

/* Which order before this one it is compared with; those of the same name first. */
export async function showCompare(place, state, compare) {
  const { orders } = await ask("/orders");
  const others = orders.filter((order) => order.id !== state.id && order.name);
  place.hidden = !others.length;
  if (place.hidden) return;
  others.sort((a, b) => (b.name === state.name) - (a.name === state.name));
  const key = JSON.stringify(others);
  if (place.dataset.key === key) return;
  place.dataset.key = key;
  const choice = el("select", { id: "compare-with" },
    ...others.map((order) => el("option", { value: order.id }, nameOf(order) + ", " + whenText(order.changed))));
  const form = el("form", { className: "line" },
    el("div", { className: "field" }, el("label", { htmlFor: "compare-with" }, "Revision before"), choice),
    el("button", { type: "submit" }, "Compare"));
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    compare(choice.value);
  });
  place.replaceChildren(el("h2", { id: "compare-title" }, "Compare"), el("div", {}, el("p", {}, "What changed since an order before, and what that changes in cost."), form));
}
