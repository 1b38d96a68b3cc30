"use strict";
// On paper every table is open; afterwards it is as it was.
(function () {
  let opened = [];
  window.addEventListener("beforeprint", () => {
    opened = Array.from(document.querySelectorAll("details.table:not([open])"));
    for (const table of opened) table.open = true;
  });
  window.addEventListener("afterprint", () => {
    for (const table of opened) table.open = false;
    opened = [];
  });
})();
