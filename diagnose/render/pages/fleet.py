"""The table of many reviewed flights: as rows, text, CSV and a page whose columns sort."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from diagnose.render.pages.findings import at
from diagnose.render.pages.page import heading, page, paragraph, part, table
from diagnose.render.text import percent

#: key of a row -> heading
COLUMNS = {
    "file": "file", "date": "date", "minutes": "min", "verdict": "verdict", "likely": "most likely", "chance": "chance",
    "began": "began", "showed": "first showed", "lied": "not to be believed", "faults": "faults in the file", "error": "not reviewed",
}  # fmt: skip
#: columns that are numbers or times
NUMBERS = ("minutes", "chance", "began", "showed", "faults")
#: columns of the text, and their widest
TEXT, WIDEST = ("file", "minutes", "likely", "chance", "began", "faults"), 60


def fleet_row(data: Mapping[str, Any]) -> dict[str, Any]:
    """One row, from a review's data or from an error's: times in seconds from the first row, None where there is none."""
    if "error" in data:
        return dict.fromkeys(COLUMNS) | {"file": data["file"], "error": data["error"]}
    first = data["ranking"][0]
    onset = data["onset"][0] if data["onset"] else {}
    return {
        "file": data["file"], "date": data["date"], "minutes": data["minutes"], "verdict": data["verdict"],
        "likely": " + ".join(first["failures"]).replace("_", " ") or "nothing failed", "chance": first["chance"],
        "began": onset.get("at_s"), "showed": onset.get("showed_s"),
        "lied": ", ".join(d["gauge"].replace("_", " ") for d in data["disbelieve"] if d["recorded"]),
        "faults": len(data["faults"]), "error": None,
    }  # fmt: skip


def _words(row: Mapping[str, Any], key: str) -> str:
    value = row[key]
    if value is None or value == "":
        return ""
    if key == "likely" and (row["verdict"] or "").startswith("CAUTION"):
        return f"(rows lost) {value}"
    form = {"minutes": lambda v: f"{v:.0f}", "chance": percent, "began": at, "showed": at}
    return form.get(key, str)(value)


def fleet_text(rows: Sequence[Mapping[str, Any]]) -> str:
    """The table as text; what could not be reviewed says why instead of a cause."""
    lines = [
        [f"not reviewed: {row['error']}" if key == "likely" and row["error"] else _words(row, key) for key in TEXT]
        for row in rows
    ]  # fmt: skip
    lines.insert(0, [COLUMNS[key] for key in TEXT])
    widths = [min(max(len(line[k]) for line in lines), WIDEST) for k in range(len(TEXT))]
    return "\n".join(
        "  ".join(c[:WIDEST].ljust(w) for c, w in zip(line, widths, strict=True)).rstrip() for line in lines
    )


def fleet_csv(rows: Iterable[Mapping[str, Any]]) -> str:
    """The table as CSV, every number as it came out."""
    out = io.StringIO()
    writer = csv.DictWriter(out, list(COLUMNS), lineterminator="\n")
    writer.writeheader()
    writer.writerows({key: "" if row[key] is None else row[key] for key in COLUMNS} for row in rows)
    return out.getvalue()


def fleet_page(rows: Sequence[Mapping[str, Any]]) -> str:
    """The table as a page; a column's heading sorts it."""
    shown = [key for key in COLUMNS if key == "file" or any(row[key] not in (None, "") for row in rows)]
    cells = [[_words(row, key) for key in shown] for row in rows]
    body = [
        heading(1, f"{len(rows)} recorded flights"),
        paragraph("Times are minutes and seconds from the first row. Click a heading to sort by it, again to turn it round.", "quiet"),
        f'<div class="wide" id="flights">{table([COLUMNS[key] for key in shown], cells)}</div>',
    ]  # fmt: skip
    return page(f"{len(rows)} recorded flights", body, script=part("sorted.js"), style=part("sorted.css"))
