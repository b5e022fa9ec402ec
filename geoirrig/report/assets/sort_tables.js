// Sorts a table by the column whose heading is pressed. Rows without a value stay last.
(function () {
  "use strict";
  const announcement = document.getElementById("announcement");
  const letters = new Intl.Collator("en", { numeric: true });

  function key(row, column, isNumber) {
    const cell = row.cells[column];
    if (!isNumber) return cell.textContent;
    return cell.dataset.sort === undefined ? null : Number(cell.dataset.sort);
  }

  function sort(table, heading) {
    const column = heading.cellIndex;
    const isNumber = heading.classList.contains("number");
    const order = heading.getAttribute("aria-sort") === "ascending" ? "descending" : "ascending";
    const sign = order === "ascending" ? 1 : -1;
    const rows = Array.from(table.tBodies[0].rows, (row) => [key(row, column, isNumber), row]);
    rows.sort(function ([a], [b]) {
      if (a === null || b === null) return (a === null) - (b === null);
      return sign * (isNumber ? a - b : letters.compare(a, b));
    });
    table.tBodies[0].append(...rows.map(([, row]) => row));
    for (const other of table.tHead.rows[0].cells) other.setAttribute("aria-sort", "none");
    heading.setAttribute("aria-sort", order);
    announcement.textContent = "Sorted by " + heading.textContent + ", " + order + ".";
  }

  for (const table of document.querySelectorAll("table.sortable")) {
    for (const heading of table.tHead.rows[0].cells) {
      heading.firstElementChild.addEventListener("click", () => sort(table, heading));
    }
  }
})();
