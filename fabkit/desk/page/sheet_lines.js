/* A TOML text as lines with one value each: a form edits the values, and all else stays as it is. */

const KEY = /^(\s*)(#\s)?(\s*)((?:[A-Za-z0-9_-]+|"(?:[^"\\]|\\.)*")(?:\.(?:[A-Za-z0-9_-]+|"(?:[^"\\]|\\.)*"))*)\s*=\s*/;
const TABLE = /^\s*(#\s*)?(\[\[?)\s*([^\]]+?)\s*\]\]?\s*(#.*)?$/;

/* Where a value ends in its line; -1 where it goes on in the next one. */
export function valueEnd(text, start) {
  let depth = 0;
  let at = start;
  while (at < text.length) {
    const c = text[at];
    if (c === '"' || c === "'") {
      if (text.startsWith(c.repeat(3), at)) return -1;
      let end = at + 1;
      while (end < text.length && text[end] !== c) end += c === '"' && text[end] === "\\" ? 2 : 1;
      if (end >= text.length) return -1;
      at = end;
    } else if (c === "[" || c === "{") depth += 1;
    else if (c === "]" || c === "}") depth -= 1;
    else if (c === "#" && !depth) break;
    at += 1;
  }
  if (depth > 0) return -1;
  while (at > start && /\s/.test(text[at - 1])) at -= 1;
  return at;
}

/* The value on a line may be a string, whose quotes a form leaves away. */
const isString = (raw) => /^"(?:[^"\\]|\\.)*"$/.test(raw);

function unquoted(raw) {
  try {
    return JSON.parse(raw);
  } catch {
    return null;
  }
}

const quotedText = (text) => JSON.stringify(text).replace(/\u007f/g, "\\u007F");

/* Every line with one value: {at, table, key, value, kind, set, why}; at counts from 0. */
export function readLines(text) {
  const rows = [];
  let table = { at: -1, name: "", title: "" };
  let shut = false; /* Below a table that is only a comment. */
  let inside = false; /* A value of several lines. */
  let hanging = "";
  text.split("\n").forEach((line, at) => {
    if (inside) {
      hanging += "\n" + line;
      const long = hanging.match(/"""|'''/);
      inside = long ? hanging.split(long[0]).length < 3 : valueEnd(hanging, 0) < 0;
      return;
    }
    const head = line.match(TABLE);
    if (head) {
      shut = Boolean(head[1]);
      if (!shut) table = { at, name: head[3], title: "", many: head[2] === "[[" };
      return;
    }
    const found = line.match(KEY);
    if (!found) return;
    const start = found[0].length;
    const end = valueEnd(line, start);
    const comment = Boolean(found[2]);
    if (end < 0) {
      inside = !comment;
      hanging = line.slice(start);
      return;
    }
    const raw = line.slice(start, end);
    if (!raw || (comment && (shut || !/^(".*"|'.*'|\[.*\]|\{.*\}|[+-]?[\d.]+|true|false|\d{4}-\d\d-\d\d)$/.test(raw)))) return;
    const string = isString(raw);
    const value = string ? unquoted(raw) : raw;
    if (value === null) return;
    const kind = string ? "string" : raw === "true" || raw === "false" ? "switch" : /^[+-]?[\d_.]+$/.test(raw) ? "number" : "raw";
    if (!comment && (found[4] === "key" || found[4] === "name" || found[4] === "shop") && !table.title) table.title = value;
    rows.push({ at, table, key: found[4], value, kind, set: !comment, start, end, why: line.slice(end).replace(/^\s*#?\s*/, "") });
  });
  return rows;
}

/* The text with another value on one line; an empty one makes the line a comment, so that the
   default holds. */
export function writeLine(text, row, given) {
  const lines = text.split("\n");
  const line = lines[row.at];
  /* Words where a number was are written as words, for the desk to say what is expected. */
  const words = row.kind === "string" || (row.kind === "number" && !/^[+-]?[\d_.]+$|[[{]/.test(given.trim()));
  const raw = words ? quotedText(given) : given.trim();
  const head = line.slice(0, row.start);
  const tail = line.slice(row.end);
  if (given.trim() === "") {
    lines[row.at] = row.set ? line.replace(/^(\s*)/, "$1# ") : line;
  } else {
    lines[row.at] = (row.set ? head : head.replace(/^(\s*)#\s+/, "$1")) + raw + tail;
  }
  return lines.join("\n");
}
