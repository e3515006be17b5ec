"use strict";
// a table whose headings sort it: numbers and times (1:05, 12 %, <1 %) by value, the rest by letters, empty cells last
const body = document.querySelector("#flights tbody");
const heads = [...document.querySelectorAll("#flights th")];
function value(text) {
  const time = /^(\d+):(\d\d)$/.exec(text);
  if (time) return 60 * Number(time[1]) + Number(time[2]);
  const plain = /^[<>~]?\s*(\d+(?:\.\d+)?)\s*%?$/.exec(text);
  return plain ? Number(plain[1]) : null;
}
function order(place, down) {
  const rows = [...body.rows].map((row) => ({ row, text: row.cells[place].textContent }));
  rows.sort((one, two) => {
    if (!one.text || !two.text) return (one.text ? 0 : 1) - (two.text ? 0 : 1);
    const a = value(one.text), b = value(two.text);
    const found = a !== null && b !== null ? a - b : one.text.localeCompare(two.text);
    return down ? -found : found;
  });
  body.append(...rows.map((one) => one.row));
}
heads.forEach((head, place) => {
  const button = document.createElement("button");
  button.textContent = head.textContent;
  head.replaceChildren(button);
  button.addEventListener("click", () => {
    const down = head.getAttribute("aria-sort") === "ascending";
    heads.forEach((other) => other.removeAttribute("aria-sort"));
    head.setAttribute("aria-sort", down ? "descending" : "ascending");
    order(place, down);
  });
});
