"use strict";
for (const table of document.querySelectorAll("table.data")) {
  const body = table.tBodies[0];
  const first = [...body.rows];
  const value = (row, column) => row.cells[column].textContent.trim();
  const number = (text) => parseFloat(text.replace("\u2212", "-").replace(/^[<>≤≥+]/, "").replace(/^(-?\d+),(\d)/, "$1.$2"));
  [...table.tHead.rows[0].cells].forEach((head, column) => {
    const button = document.createElement("button");
    button.type = "button";
    button.append(...head.childNodes);
    head.append(button);
    button.addEventListener("click", () => {
      const now = head.getAttribute("aria-sort");
      const next = now === "ascending" ? "descending" : now === "descending" ? null : "ascending";
      for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
      if (next) head.setAttribute("aria-sort", next);
      const rows = [...first];
      if (next) {
        const sign = next === "ascending" ? 1 : -1;
        rows.sort((a, b) => {
          const [x, y] = [value(a, column), value(b, column)];
          const [p, q] = [number(x), number(y)];
          if (Number.isNaN(p) !== Number.isNaN(q)) return Number.isNaN(p) ? 1 : -1;
          return sign * (Number.isNaN(p) ? x.localeCompare(y) : p - q);
        });
      }
      body.append(...rows);
    });
  });
  const copy = document.createElement("button");
  copy.type = "button";
  copy.className = "copy";
  copy.textContent = document.body.dataset.copy;
  copy.addEventListener("click", () => {
    const text = [...table.rows]
      .map((row) => [...row.cells].map((cell) => cell.textContent.trim()).join("\t"))
      .join("\n");
    const done = () => {
      copy.textContent = document.body.dataset.copied;
      setTimeout(() => (copy.textContent = document.body.dataset.copy), 2000);
    };
    const field = document.createElement("textarea");
    field.value = text;
    field.setAttribute("readonly", "");
    copy.after(field);
    field.select();
    if (document.execCommand("copy")) done();
    field.remove();
    copy.focus();
  });
  table.parentElement.before(copy);
}
