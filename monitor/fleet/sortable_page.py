"""A page whose tables a click sorts: the report's page with one small script, the only one that it may run."""

import base64
import hashlib
from collections.abc import Sequence
from typing import Final

from monitor.report.html import page

_SORT: Final = """
document.querySelectorAll("table").forEach(function (table) {
  table.querySelectorAll("thead th").forEach(function (head, place) {
    head.tabIndex = 0; head.setAttribute("role", "button"); head.title = "sort";
    function sort() {
      var body = table.tBodies[0], up = head.getAttribute("aria-sort") !== "ascending";
      var rows = Array.from(body.rows).map(function (row) { return [row.cells[place].textContent.trim(), row]; });
      rows.sort(function (a, b) {
        var x = parseFloat(a[0]), y = parseFloat(b[0]);
        var order = isNaN(x) && isNaN(y) ? a[0].localeCompare(b[0]) : isNaN(x) ? 1 : isNaN(y) ? -1 : x - y;
        return up ? order : -order;
      });
      table.querySelectorAll("th").forEach(function (other) { other.removeAttribute("aria-sort"); });
      head.setAttribute("aria-sort", up ? "ascending" : "descending");
      rows.forEach(function (row) { body.appendChild(row[1]); });
    }
    head.addEventListener("click", sort);
    head.addEventListener("keydown", function (event) { if (event.key === "Enter") sort(); });
  });
});
"""
SORT_HASH: Final = base64.b64encode(hashlib.sha256(_SORT.encode()).digest()).decode()
"""The page runs this script and no other."""


def sortable_page(title: str, subtitle: str, sections: Sequence[tuple[str, str, str]], tail: str) -> str:
    """The whole page; see `monitor.report.html.page`."""
    whole = page(title, subtitle, sections, tail)
    whole = whole.replace("style-src 'unsafe-inline'", f"style-src 'unsafe-inline'; script-src 'sha256-{SORT_HASH}'", 1)
    return whole.replace("</body>", f"<script>{_SORT}</script></body>", 1)
