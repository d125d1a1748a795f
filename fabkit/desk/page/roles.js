/* What a file is, where the files themselves show it wrongly or not at all. */

import { beside, el } from "./dom.js";
import { listed, quoted } from "./wishes.js";

export function showRoles(place, { choices }, change) {
  const boards = (choices.boards || []).filter((board) => board.files.length || Object.keys(board.roles).length);
  place.hidden = !boards.length;
  if (place.hidden) return;
  const key = JSON.stringify(boards.map(({ name, files, roles }) => [name, files, roles]));
  if (place.dataset.key === key) return;
  place.dataset.key = key;
  const many = choices.boards.length > 1;
  const pathOf = (board, name) => "board." + choices.boards.indexOf(board) + ".roles." + quoted(name);
  const all = boards.flatMap((board) => board.files.map((file) => ({ board, ...file })));
  const file = el("select", { id: "role-file" }, ...all.map((one, n) =>
    el("option", { value: n }, (many ? one.board.name + ": " : "") + one.name + " (" + one.role + ")")));
  const role = el("select", { id: "role-is" }, ...choices.role_offers.map((word) => el("option", { value: word }, word)));
  const wrong = el("p", { className: "wrong", role: "alert" });
  const form = el("form", { className: "line" },
    el("div", { className: "field" }, el("label", { htmlFor: "role-file" }, "File (what it was taken for)"), file),
    el("div", { className: "field" }, el("label", { htmlFor: "role-is" }, "is"), role),
    el("button", { type: "submit" }, "State it"));
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    wrong.textContent = "";
    const one = all[Number(file.value)];
    if (one) change({ [pathOf(one.board, one.name)]: role.value }, (error) => (wrong.textContent = beside(error)));
  });
  const rows = boards.flatMap((board) => Object.entries(board.roles).map(([name, said]) =>
    el("li", {}, el("span", {}, el("strong", {}, name), " is: " + said),
      el("button", { type: "button", className: "slight", "aria-label": "Take back what " + name + " is", onclick: () => change({ [pathOf(board, name)]: null }) }, "Take back"))));
  const open = place.querySelector("details")?.open;
  place.replaceChildren(
    el("h2", { id: "roles-title" }, "A file taken wrongly?"),
    el("details", { className: "fold", open: open ?? rows.length > 0 },
      el("summary", {}, "State what a file is"), all.length ? form : null, wrong, listed(rows, "Every file is what it shows itself.")));
}
