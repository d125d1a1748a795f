/* Files that are dropped or chosen: packages, folders, sheets. */

import { $ } from "./dom.js";
import { ask } from "./ask.js";

/* Everything in what was dropped: {file, set, name}; set: the folder that a file is of. */
export async function readDropped(transfer) {
  const entries = [...transfer.items].map((item) => item.webkitGetAsEntry && item.webkitGetAsEntry());
  const plain = [...transfer.files];
  if (!entries.some((entry) => entry && entry.isDirectory)) return plain.map(alone);
  const found = [];
  for (const entry of entries.filter(Boolean)) {
    if (entry.isDirectory) await walk(entry, entry.name, "", found);
    else found.push(alone(await fileOf(entry)));
  }
  return found;
}

const alone = (file) => ({ file, set: null, name: file.name });

const fileOf = (entry) => new Promise((done, failed) => entry.file(done, failed));

async function walk(folder, set, below, found) {
  const reader = folder.createReader();
  for (;;) {
    /* A reader gives some of the entries at a time. */
    const entries = await new Promise((done, failed) => reader.readEntries(done, failed));
    if (!entries.length) return;
    for (const entry of entries) {
      const name = below + entry.name;
      if (entry.isDirectory) await walk(entry, set, name + "/", found);
      else found.push({ file: await fileOf(entry), set, name });
    }
  }
}

export function readChosen(input) {
  return [...input.files].map((file) => {
    const [set, ...rest] = (file.webkitRelativePath || "").split("/");
    return rest.length ? { file, set, name: rest.join("/") } : alone(file);
  });
}

/* Sends all to an order; gives what was refused: {name, error}. */
export async function sendAll(id, dropped, tell) {
  const refused = [];
  const sets = new Map();
  /* Sheets first: what is read then is priced by them at once. */
  const rank = ({ set, name }) => (set === null && /\.(toml|csv|tsv)$/i.test(name) ? 0 : 1);
  for (const one of [...dropped].sort((a, b) => rank(a) - rank(b))) {
    const { file, set, name } = one;
    if (set !== null && sets.get(set) === false) continue;
    tell(set === null ? name : set + ": " + name);
    const query = new URLSearchParams(set === null ? { name } : { name, set });
    try {
      await ask("/orders/" + id + "/files?" + query, { method: "PUT", body: file });
      if (set !== null) sets.set(set, true);
    } catch (error) {
      if (error.status === undefined || error.status === 401) throw error;
      if (set !== null) sets.set(set, false);
      refused.push({ name: set === null ? name : set, error });
    }
  }
  for (const [set, whole] of sets) {
    if (!whole) continue;
    try {
      await ask("/orders/" + id + "/sets/" + encodeURIComponent(set), { method: "POST" });
    } catch (error) {
      if (error.status === undefined || error.status === 401) throw error;
      refused.push({ name: set, error });
    }
  }
  return refused;
}

/* Lets files be dropped anywhere; while an order is open, on one of two fields. */
export function startDropping({ take, isOpen }) {
  const over = $("over");
  let depth = 0;
  const holdsFiles = (event) => [...event.dataTransfer.types].includes("Files");
  const end = () => {
    depth = 0;
    over.hidden = true;
    document.body.classList.remove("dragging");
    for (const lit of document.querySelectorAll(".lit-drop")) lit.classList.remove("lit-drop");
  };
  addEventListener("dragenter", (event) => {
    if (!holdsFiles(event)) return;
    depth += 1;
    document.body.classList.add("dragging");
    over.hidden = !isOpen();
  });
  addEventListener("dragleave", () => {
    depth -= 1;
    if (depth <= 0) end();
  });
  addEventListener("dragover", (event) => {
    if (!holdsFiles(event)) return;
    event.preventDefault();
    for (const lit of document.querySelectorAll(".lit-drop")) lit.classList.remove("lit-drop");
    event.target.closest?.("[data-over], [data-drop]")?.classList.add("lit-drop");
  });
  addEventListener("drop", async (event) => {
    if (!holdsFiles(event)) return;
    event.preventDefault();
    const anew = event.target.closest?.("[data-over]")?.dataset.over === "new";
    end();
    await take(() => readDropped(event.dataTransfer), anew);
  });
  for (const kind of ["files", "folder"]) {
    const input = $("pick-" + kind);
    input.addEventListener("change", async () => {
      const chosen = readChosen(input);
      input.value = "";
      if (chosen.length) await take(async () => chosen, false);
    });
    for (const button of document.querySelectorAll("[data-choose=" + kind + "]")) {
      button.addEventListener("click", () => input.click());
    }
  }
}
