"use strict";
// Sorting and download of tables. Without scripts the tables are plain and complete.
(function () {
  const value = (cell) => (cell.hasAttribute("data-missing") ? null : cell.dataset.value ?? cell.textContent);

  function sort(table, column, header) {
    const rising = header.getAttribute("aria-sort") !== "ascending";
    for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
    header.setAttribute("aria-sort", rising ? "ascending" : "descending");
    const number = header.classList.contains("number");
    const rows = Array.from(table.tBodies[0].rows, (row) => ({ row, key: value(row.cells[column]) }));
    rows.sort((a, b) => {
      // Missing comes last whichever way.
      if (a.key === null || b.key === null) return (a.key === null) - (b.key === null);
      const order = number ? Number(a.key) - Number(b.key) : a.key.localeCompare(b.key, "en", { numeric: true });
      return rising ? order : -order;
    });
    table.tBodies[0].append(...rows.map((entry) => entry.row));
  }

  function field(text, word) {
    if (text === null) return "";
    if (word && /^[=+\-@\t\r\n]/.test(text)) text = "'" + text;
    return text === "" || /[",\r\n]/.test(text) ? '"' + text.replaceAll('"', '""') + '"' : text;
  }

  function csv(table) {
    const heads = Array.from(table.tHead.rows[0].cells);
    const lines = [heads.map((head) => field(head.dataset.name, true)).join(",")];
    for (const row of table.tBodies[0].rows) {
      lines.push(Array.from(row.cells, (cell, i) => field(value(cell), !heads[i].classList.contains("number"))).join(","));
    }
    return lines.join("\n") + "\n";
  }

  for (const table of document.querySelectorAll("table[data-name]")) {
    Array.from(table.tHead.rows[0].cells).forEach((header, column) =>
      header.querySelector("button").addEventListener("click", () => sort(table, column, header)));
  }
  for (const button of document.querySelectorAll("button.download")) {
    button.addEventListener("click", () => {
      const table = button.closest("details.table").querySelector("table[data-name]");
      const link = document.createElement("a");
      link.href = URL.createObjectURL(new Blob([csv(table)], { type: "text/csv" }));
      link.download = table.dataset.name + ".csv";
      link.click();
      setTimeout(() => URL.revokeObjectURL(link.href), 1000);
    });
  }
})();
