/* Exact decimal arithmetic: 28 significant digits, half to even, as the library reckons. */
"use strict";

const DIGITS = 28;

const abs = (n) => (n < 0n ? -n : n);
const power = (k) => 10n ** BigInt(k);

/* Quotient of integers rounded to a whole number: "even" on ties, or "up" away from zero. */
function roundedQuotient(top, bottom, half) {
  const sign = top < 0n !== bottom < 0n ? -1n : 1n;
  const [a, b] = [abs(top), abs(bottom)];
  let whole = a / b;
  const twice = (a % b) * 2n;
  if (twice > b || (twice === b && (half === "up" || whole % 2n === 1n))) whole += 1n;
  return sign * whole;
}

class Decimal {
  constructor(digits, exponent) {
    this.n = digits;
    this.e = exponent;
  }
  static of(text) {
    const found = /^([+-]?)(\d*)\.?(\d*)(?:[eE]([+-]?\d+))?$/.exec(String(text));
    if (!found) throw new Error("not a number: " + text);
    const [, sign, whole, part, exponent] = found;
    const n = BigInt(whole + part || "0");
    return new Decimal(sign === "-" ? -n : n, Number(exponent || 0) - part.length);
  }
  static whole(number) {
    return new Decimal(BigInt(number), 0);
  }
  kept() {
    const extra = abs(this.n).toString().length - DIGITS;
    if (extra <= 0) return this;
    return new Decimal(roundedQuotient(this.n, power(extra), "even"), this.e + extra).kept();
  }
  aligned(other) {
    const e = Math.min(this.e, other.e);
    return [this.n * power(this.e - e), other.n * power(other.e - e), e];
  }
  plus(other) {
    const [a, b, e] = this.aligned(other);
    return new Decimal(a + b, e).kept();
  }
  minus(other) {
    return this.plus(new Decimal(-other.n, other.e));
  }
  times(other) {
    return new Decimal(this.n * other.n, this.e + other.e).kept();
  }
  over(other) {
    if (other.n === 0n) throw new Error("division by zero");
    if (this.n === 0n) return new Decimal(0n, 0);
    const lengths = abs(other.n).toString().length - abs(this.n).toString().length;
    const shift = Math.max(0, DIGITS + 3 + lengths);
    const top = this.n * power(shift);
    let n = top / other.n;
    let e = this.e - other.e - shift;
    if (top % other.n !== 0n) {
      // One more digit that is not zero, so that nothing cut off looks like a tie.
      n = n * 10n + (top < 0n !== other.n < 0n ? -1n : 1n);
      e -= 1;
    }
    return new Decimal(n, e).kept();
  }
  compare(other) {
    const [a, b] = this.aligned(other);
    return a < b ? -1 : a > b ? 1 : 0;
  }
  ceil() {
    if (this.e >= 0) return this;
    const unit = power(-this.e);
    const cut = this.n / unit;
    return new Decimal(this.n > 0n && this.n % unit !== 0n ? cut + 1n : cut, 0);
  }
  floor() {
    const up = new Decimal(-this.n, this.e).ceil();
    return new Decimal(-up.n, up.e);
  }
  rounded(half) {
    if (this.e >= 0) return this;
    return new Decimal(roundedQuotient(this.n, power(-this.e), half), 0);
  }
  fixed(digits) {
    const shift = this.e + digits;
    const n = shift >= 0 ? this.n * power(shift) : roundedQuotient(this.n, power(-shift), "up");
    const text = abs(n).toString().padStart(digits + 1, "0");
    const whole = text.slice(0, text.length - digits);
    return (n < 0n ? "-" : "") + whole + (digits ? "." + text.slice(-digits) : "");
  }
  number() {
    return Number(this.n + "e" + this.e);
  }
}

const ZERO = Decimal.whole(0);
const ONE = Decimal.whole(1);

/* Formulas of the cost sheet: names, numbers, + - * /, max, min, ceil, above. */
const FUNCTIONS = {
  max: (a) => a.reduce((x, y) => (y.compare(x) > 0 ? y : x)),
  min: (a) => a.reduce((x, y) => (y.compare(x) < 0 ? y : x)),
  ceil: (a) => a[0].ceil(),
  above: (a) => (a[0].compare(a[1]) > 0 ? ONE : ZERO),
};

const formulas = new Map();

function compiled(text) {
  if (formulas.has(text)) return formulas.get(text);
  const tokens = text.match(/[a-z_][a-z_0-9]*|\d+(?:\.\d+)?|[-+*/(),]/g) || [];
  let at = 0;
  const next = (wanted) => {
    if (wanted && tokens[at] !== wanted) throw new Error("not a formula of ours: " + text);
    return tokens[at++];
  };
  const atom = () => {
    const token = next();
    if (token === "(") {
      const inner = sum();
      next(")");
      return inner;
    }
    if (/^\d/.test(token)) {
      const value = Decimal.of(token);
      return () => value;
    }
    if (tokens[at] !== "(") {
      return (values) => {
        if (!(token in values)) throw new Error("no value for " + token);
        return values[token];
      };
    }
    next("(");
    const parts = [sum()];
    while (tokens[at] === ",") {
      next();
      parts.push(sum());
    }
    next(")");
    return (values) => FUNCTIONS[token](parts.map((part) => part(values)));
  };
  const chain = (part, operators) => () => {
    let left = part();
    while (tokens[at] in operators) {
      const [a, method, b] = [left, operators[next()], part()];
      left = (values) => a(values)[method](b(values));
    }
    return left;
  };
  const product = chain(atom, { "*": "times", "/": "over" });
  const sum = chain(product, { "+": "plus", "-": "minus" });
  const made = sum();
  if (at !== tokens.length) throw new Error("not a formula of ours: " + text);
  formulas.set(text, made);
  return made;
}
