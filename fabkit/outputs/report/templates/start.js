/* Starts everything in the page of an order. */
"use strict";

const data = JSON.parse(document.getElementById("data").textContent);
const kept = keeper(data.id);

document.documentElement.classList.add("live");
startTheme(kept);
startTicks(kept);
startFilters();
startWipes();
const viewers = data.boards.map(
  (board, k) => new Viewer(document.getElementById("board-" + (k + 1)), board)
);
const priceForm =
  data.price && new PriceForm(document.getElementById("price-form"), data.price);
window.fabkit = {
  viewers,
  rules: data.price,
  price: (choice, quantity, rules = data.price) => pricePlainly(rules, choice, quantity),
};
