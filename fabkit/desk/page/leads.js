/* Advice that names an option of the command line leads to where the page has the same. */

import { el } from "./dom.js";

const PLACES = [
  [/--edge\b/, "want", "the outline, under Wishes"],
  [/--board\b/, "want", "what the board is, under Wishes"],
  [/--(keyboards|quantity|thickness|colour|finish)\b/, "want", "Wishes"],
  [/--silence\b/, "aside", "Set aside"],
  [/--(house|parts)\b|fabkit (house|parts) new/, "sheets", "edit the sheets"],
  [/--role\b|\[board\.roles\]/, "roles", "state what a file is"],
  [/\[(tax|money)\]/, "sheets", "edit the order file"],
  [/--mend\b/, "want", "mend the files, under Wishes"],
  [/--fine\b/, "want", "the fine class, under Wishes"],
  [/fabkit mend\b/, "take", "Mend the files"],
  [/fabkit panel\b/, "take", "Lay on a panel"],
];

const ADVICE = ".finding .do, .remarks li, .notice .do, .money .small, .verdict p";

export function leadOn(root) {
  for (const advice of root.querySelectorAll(ADVICE)) {
    const text = advice.textContent;
    for (const [words, place, title] of PLACES) {
      if (words.test(text)) advice.append(" ", el("a", { href: "#" + place }, "Here: " + title + "."));
    }
  }
}
