// Sorting and filtering of the run's table. Without it the page still reads, worst films first.
"use strict";
(() => {
  const table = document.getElementById("film-table");
  const body = table.tBodies[0];
  const rows = Array.from(body.rows);
  const heads = Array.from(table.tHead.rows[0].cells);
  const collator = new Intl.Collator("en", { numeric: true });

  const keyOf = (row, column) => {
    const cell = row.cells[column];
    if (cell.dataset.key !== undefined) {
      return cell.dataset.key === "" ? null : Number(cell.dataset.key);
    }
    return cell.textContent.trim();
  };

  const sortBy = (column, direction) => {
    const keyed = rows.map((row, place) => ({ row, place, key: keyOf(row, column) }));
    keyed.sort((a, b) => {
      if (a.key === null || b.key === null) { // what was not measured stays at the end
        return (a.key === null) - (b.key === null) || a.place - b.place;
      }
      const order = typeof a.key === "number" ? a.key - b.key : collator.compare(a.key, b.key);
      return direction * order || a.place - b.place;
    });
    body.append(...keyed.map((item) => item.row));
  };

  heads.forEach((head, column) => {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "sort";
    button.append(...head.childNodes);
    head.append(button);
    button.addEventListener("click", () => {
      const rising = head.getAttribute("aria-sort") !== "ascending";
      heads.forEach((other) => other.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", rising ? "ascending" : "descending");
      sortBy(column, rising ? 1 : -1);
    });
  });

  const form = document.getElementById("filters");
  const find = document.getElementById("find");
  const shown = document.getElementById("shown");
  const boxes = Array.from(form.querySelectorAll("input[name=verdict]"));
  const texts = rows.map((row) => (row.cells[0].textContent + " " + row.cells[2].textContent).toLowerCase());

  const filter = () => {
    const wanted = new Set(boxes.filter((box) => box.checked).map((box) => box.value));
    const text = find.value.trim().toLowerCase();
    let count = 0;
    rows.forEach((row, i) => {
      row.hidden = !(wanted.has(row.dataset.verdict) && texts[i].includes(text));
      count += row.hidden ? 0 : 1;
    });
    shown.textContent = `${count} of ${rows.length} shown`;
  };

  form.addEventListener("input", filter);
  form.addEventListener("submit", (event) => event.preventDefault());
  document.getElementById("clear").addEventListener("click", () => {
    boxes.forEach((box) => { box.checked = true; });
    find.value = "";
    filter();
  });
  form.hidden = false;
  filter();
})();
