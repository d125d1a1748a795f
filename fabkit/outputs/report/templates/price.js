/* Prices any quantity and options from the rates in the page, as the library does. */
"use strict";

class Unpriced extends Error {}

function roundMoney(value, money) {
  const step = Decimal.of(money.step);
  return value.over(step).rounded(money.half).times(step);
}

function termValue(term, given, amounts) {
  const values = {};
  for (const input of term.inputs) {
    if (input.lines) {
      values[input.name] = input.lines.reduce((sum, key) => sum.plus(amounts[key]), ZERO);
    } else if ("value" in input) {
      values[input.name] = Decimal.of(input.value);
    } else {
      values[input.name] = given[input.name];
    }
  }
  return compiled(term.formula)(values);
}

function boardTerms(rules, job, choice, quantity) {
  const range = Math.max(...rules.ranges.filter((first) => first <= quantity));
  const found = [];
  for (const term of job.terms) {
    const key = term.axes.map((axis) => (axis === "range" ? range : choice[axis])).join("|");
    const row = term.rows[key];
    if (!Array.isArray(row)) throw new Unpriced(row || "no price for these options");
    found.push(...row);
  }
  const names = new Set([...choice.extras, ...job.forced]);
  return [...found, ...[...names].map((name) => job.extras[name])];
}

function boardsOf(rules, quantity) {
  return rules.jobs.reduce((sum, job) => sum + job.pieces[quantity], 0);
}

function weigh(rules, choice, quantity) {
  const parcel = rules.parcel;
  const grams = rules.jobs.map((job) =>
    Decimal.of(job.grams[choice.thickness_mm + "|" + choice.copper_oz]).times(
      Decimal.whole(job.pieces[quantity])
    )
  );
  const boards = grams.reduce((a, b) => a.plus(b), ZERO);
  let weight = boards
    .times(ONE.plus(Decimal.of(parcel.packing_share)))
    .plus(Decimal.of(parcel.packing_g));
  if (parcel.divisor) {
    const sides = rules.jobs.map((j) => [Decimal.of(j.width_mm), Decimal.of(j.height_mm)]);
    const longest = FUNCTIONS.max(sides.map(FUNCTIONS.max));
    const widest = FUNCTIONS.max(sides.map(FUNCTIONS.min));
    const stack = Decimal.of(choice.thickness_mm)
      .times(Decimal.whole(boardsOf(rules, quantity)))
      .plus(Decimal.of(parcel.stack_height_mm));
    const thousand = Decimal.whole(1000);
    const volumetric = longest
      .times(widest)
      .times(stack)
      .over(thousand)
      .over(Decimal.of(parcel.divisor))
      .times(thousand);
    if (volumetric.compare(weight) > 0) weight = volumetric;
  }
  const top = parcel.bands[parcel.bands.length - 1];
  const limit = Decimal.of(top.up_to_g);
  const parcels = FUNCTIONS.max([ONE, weight.over(limit).ceil()]);
  const full = parcels.minus(ONE);
  const rest = weight.minus(full.times(limit));
  const band = parcel.bands.find((b) => rest.compare(Decimal.of(b.up_to_g)) <= 0);
  return { weight, price: full.times(Decimal.of(top.price)).plus(Decimal.of(band.price)) };
}

function priceOrder(rules, choice, quantity) {
  const lines = [];
  const amounts = {};
  const add = (key, title, group, amount) => {
    amounts[key] = amount;
    lines.push({ key, title, group, amount });
  };
  const invoiced = (value) => {
    const paid = roundMoney(value, rules.invoice);
    if (rules.exchange === null) return paid;
    return roundMoney(paid.times(Decimal.of(rules.exchange)), rules.currency);
  };
  for (const job of rules.jobs) {
    const pieces = job.pieces[quantity];
    const given = { pieces: Decimal.whole(pieces) };
    const terms = boardTerms(rules, job, choice, pieces);
    const exact = terms.reduce((sum, term) => sum.plus(termValue(term, given, amounts)), ZERO);
    add(job.key, pieces + " × " + job.name, "boards", invoiced(exact));
  }
  const parcel = weigh(rules, choice, quantity);
  add("shipping", "shipping of the boards", "shipping of the boards", invoiced(parcel.price));
  for (const line of rules.tax) {
    const values = line.terms.map((term) => termValue(term, {}, amounts));
    const exact = values.reduce((a, b) => a.plus(b), ZERO);
    const amount = line.whole_units ? exact.floor() : roundMoney(exact, rules.currency);
    add(line.key, line.title, line.group, amount);
  }
  const total = (some) => some.reduce((sum, line) => sum.plus(line.amount), ZERO);
  const boardTotal = total(lines);
  const parts = rules.parts.map((line) => ({ ...line, amount: Decimal.of(line.amount) }));
  const partsTotal = total(parts);
  return {
    quantity,
    lines: [...lines, ...parts],
    weight: parcel.weight,
    boardTotal,
    partsTotal,
    total: boardTotal.plus(partsTotal),
    ...halvesOf(rules, quantity, boardTotal, partsTotal),
  };
}

function halvesOf(rules, quantity, boardTotal, partsTotal) {
  const share = Decimal.of(rules.good_share);
  const goodPieces = Decimal.whole(quantity).times(share).floor();
  const good = rules.jobs.reduce((n, job) => n + job.halves * goodPieces.number(), 0);
  const wanted = rules.halves_wanted;
  const used = Math.min(good, wanted);
  const boards = boardsOf(rules, quantity);
  const bare = used ? boardTotal.over(Decimal.whole(used)) : null;
  const perHalf = bare && bare.plus(partsTotal.over(Decimal.whole(wanted)));
  return {
    boards,
    good,
    used,
    leftOver: good - used,
    covers: good >= wanted,
    perBoard: boardTotal.over(Decimal.whole(boards)),
    bare,
    perHalf,
    perKeyboard: perHalf && Decimal.whole(2).times(perHalf),
  };
}

function moneyText(value, money) {
  const [whole, part] = roundMoney(value, money).fixed(money.digits).split(".");
  const grouped = whole.replace(/\B(?=(\d{3})+$)/g, ",");
  return grouped + (part ? "." + part : "") + " " + money.code;
}

/* The same result as plain texts, for tests and for the curious. */
function pricePlainly(rules, choice, quantity) {
  const offer = priceOrder(rules, choice, quantity);
  const digits = rules.currency.digits;
  const share = (value) => value && roundMoney(value, rules.currency).fixed(digits);
  return {
    lines: offer.lines.map((line) => [line.key, line.amount.fixed(digits)]),
    total: offer.total.fixed(digits),
    per_board: share(offer.perBoard),
    per_half: share(offer.perHalf),
    per_keyboard: share(offer.perKeyboard),
    left_over: offer.leftOver,
  };
}

class PriceForm {
  constructor(form, rules) {
    this.form = form;
    this.rules = rules;
    this.slider = form.querySelector("input[type=range]");
    this.chart = document.querySelector("#curve .now");
    form.addEventListener("input", () => this.show());
    form.addEventListener("submit", (event) => event.preventDefault());
    form.querySelector("[data-do=as-ordered]").addEventListener("click", () => this.reset());
    this.reset();
  }
  reset() {
    const { rules, form } = this;
    this.slider.value = rules.quantities.indexOf(rules.start);
    for (const [axis, value] of Object.entries(rules.chosen)) {
      if (axis !== "extras") form.elements[axis].value = value;
    }
    for (const box of form.querySelectorAll("input[name=extra]")) {
      box.checked = rules.chosen.extras.includes(box.value);
    }
    this.show();
  }
  choice() {
    const chosen = { extras: [] };
    for (const axis of Object.keys(this.rules.choices)) {
      chosen[axis] = this.form.elements[axis].value;
    }
    for (const box of this.form.querySelectorAll("input[name=extra]:checked")) {
      chosen.extras.push(box.value);
    }
    return chosen;
  }
  show() {
    const quantity = this.rules.quantities[Number(this.slider.value)];
    const status = this.form.querySelector("[data-show=status]");
    this.put("quantity", String(quantity));
    this.slider.setAttribute("aria-valuetext", quantity + " pieces");
    try {
      const offer = priceOrder(this.rules, this.choice(), quantity);
      this.showOffer(offer);
      status.textContent = offer.covers
        ? "Enough for what you want" +
          (offer.leftOver
            ? "; " + offer.leftOver + (offer.leftOver === 1 ? " half" : " halves") + " left over."
            : ", none left over.")
        : "Not enough: " + offer.good + " of " + this.rules.halves_wanted + " halves.";
      this.form.classList.toggle("short", !offer.covers);
    } catch (error) {
      if (!(error instanceof Unpriced)) throw error;
      for (const name of ["total", "per-half", "per-keyboard", "per-board"]) this.put(name, "–");
      this.form.querySelector("[data-show=lines]").replaceChildren();
      status.textContent = "No price: " + error.message + ".";
    }
  }
  showOffer(offer) {
    const money = this.rules.currency;
    const text = (value) => (value ? moneyText(value, money) : "–");
    this.put("total", text(offer.total));
    this.put("per-half", text(offer.perHalf));
    this.put("per-keyboard", text(offer.perKeyboard));
    this.put("per-board", text(offer.perBoard));
    const rows = [];
    const partsLines = offer.lines.filter((line) => line.group.includes("parts"));
    const own = offer.lines.filter((line) => !line.group.includes("parts"));
    for (const line of own) rows.push([line.title, line.amount]);
    if (partsLines.length) rows.push(["parts for everything wanted", offer.partsTotal]);
    this.form.querySelector("[data-show=lines]").replaceChildren(
      ...rows.map(([title, amount]) => {
        const row = document.createElement("tr");
        const head = document.createElement("th");
        head.scope = "row";
        head.textContent = title;
        const cell = document.createElement("td");
        cell.className = "number";
        cell.textContent = moneyText(amount, money);
        row.append(head, cell);
        return row;
      })
    );
    this.mark(offer);
  }
  mark(offer) {
    const plot = this.rules.plot;
    if (!this.chart || !plot) return;
    this.chart.setAttribute("visibility", "hidden");
    if (!offer.perHalf || offer.quantity < plot.low || offer.quantity > plot.high) return;
    const x = plot.left + ((offer.quantity - plot.low) / (plot.high - plot.low)) * plot.wide;
    const amount = plot.halves * offer.perHalf.number();
    const share = (amount - plot.least) / (plot.most - plot.least);
    const y = plot.foot - Math.min(1, Math.max(0, share)) * plot.tall;
    const [line, dot] = this.chart.children;
    for (const [name, value] of [["x1", x], ["x2", x], ["y1", plot.foot], ["y2", y]]) {
      line.setAttribute(name, value.toFixed(1));
    }
    dot.setAttribute("cx", x.toFixed(1));
    dot.setAttribute("cy", y.toFixed(1));
    this.chart.setAttribute("visibility", "visible");
  }
  put(name, text) {
    for (const place of this.form.querySelectorAll("[data-show=" + name + "]")) {
      place.textContent = text;
    }
  }
}
