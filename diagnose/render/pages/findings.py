"""A review in words: as text of a given width, as data, and as a row of a summary."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from diagnose.model import Relation
from diagnose.model.units import min_from_s
from diagnose.render.pages.page import heading, page, paragraph, part, table
from diagnose.render.pages.timeline import clock
from diagnose.render.text import CAUTION, fill, names, percent
from diagnose.review.causes import Onset
from diagnose.review.findings import Review
from diagnose.review.recording import DATED_S, Recording
from diagnose.review.relations import Change

#: an interval of the onset longer than this is of a failure that did not show at once
LONG_S = 180.0
#: what shows so much later than it began has a time of its own
LATER_S = 60.0


def at(second: float, recording: Recording | None = None) -> str:
    """A time of the flight: what the file's clock showed (h:mm:ss), else m:ss from the first row."""
    if recording is None or math.isnan(recording.clock_s):
        return clock(min_from_s(second))
    of_day = round(recording.clock_s + second) % 86_400
    return f"{of_day // 3600}:{of_day // 60 % 60:02d}:{of_day % 60:02d}"


def times_words(recording: Recording) -> str:
    """What the times are counted from."""
    if math.isnan(recording.clock_s):
        return "Times are minutes and seconds from the first row."
    day = f" on {date}" if (date := date_of(recording)) else ""
    return f"Times are those of the file's clock{day}; the first row is at {at(0.0, recording)}."


def date_of(recording: Recording) -> str:
    """The day of the first row, "" where the file tells none."""
    dated = recording.clock_s > DATED_S
    return datetime.fromtimestamp(recording.clock_s, UTC).date().isoformat() if dated else ""


def verdict(review: Review) -> str:
    """What the recording says in one sentence; of a file that could not be read whole, after saying so."""
    return f"{unread(review)}{_judged(review)}"


def unread(review: Review) -> str:
    """Said before anything is judged, where more than a few rows were lost; else ""."""
    recording = review.recording
    if recording.lost <= review.network.kb.recording.few_rows:
        return ""
    of = recording.rows + sum(fault.kind == "line left out" for fault in recording.faults)
    return (
        f"CAUTION: {recording.lost} of about {of} rows of this file could not be read (see: The file). What "
        "stood in them is missing from all that follows; mend the file or export it again before you rely on it. "
    )


def _judged(review: Review) -> str:
    decided, kb = review.network.kb.limits.decided, review.network.kb
    first = review.causes[0]
    if first.failures and first.together >= decided:
        alike = f", or what the recording cannot tell from it: {', '.join(kb.failures[a].name for a in first.alike)}" if first.alike else ""  # fmt: skip
        return f"Most likely: {names(kb, first.failures)} ({percent(first.chance)}){alike}."
    if review.unsettled and not first.failures:
        apart = " and ".join(kb.gauges[gauge].name for gauge in review.unsettled)
        return (
            f"{apart} contradict each other; this recording cannot tell which of them is wrong.".capitalize()
        )
    if review.doubted and not first.failures:
        apart = " and ".join(
            f"{kb.gauges[d.gauge].name} from {at(d.since, review.recording)} on" for d in review.doubted
        )
        return f"Not believable: {apart}. The other channels contradict it, and no failure in the list explains it."
    if float(review.nothing[-1]) >= decided:
        return "Nothing in this recording speaks for a failure."
    return "Not enough for one cause."


def remarks_words(review: Review) -> str:
    """What may have been there as well, "" for nothing."""
    kb = review.network.kb
    if not review.remarks:
        return ""
    return (
        f"Remark: {names(kb, review.remarks)} may be there as well, but no instrument's reading calls for it."
    )


def onset_words(onset: Onset, recording: Recording | None = None) -> str:
    """When a failure first showed and when it began."""
    showed = f"it first showed at {at(onset.showed, recording)}"
    if onset.before_start > 0.5:
        return f"it was there before the recording tells of it; {showed}"
    seen = " (seen by the channels' disagreement)" if onset.seen_by else ""
    between = f"between {at(onset.earliest, recording)} and {at(onset.latest, recording)}"
    if onset.latest - onset.earliest > LONG_S:
        return f"{showed}; it began {between}"
    later = f"; {showed}" if abs(onset.showed - onset.likeliest) > LATER_S else ""
    return f"it began at {at(onset.likeliest, recording)}, {between}{seen}{later}"


def review_text(review: Review, width: int = 80) -> str:
    """The review as text. Times are minutes and seconds from the first row."""
    return "\n".join(_lines(review, width)) + "\n"


def _lines(review: Review, width: int) -> Iterator[str]:
    kb, recording = review.network.kb, review.recording
    title = f"{recording.name}: {min_from_s(float(recording.seconds)):.0f} min recorded"
    yield title
    yield "=" * len(title)
    rate = f"{recording.rows} rows, {recording.period_s:.3g} s apart, {len(review.windows)} moments"
    yield fill(f"{rate}; panel {kb.panels[review.case.panel].name}. {times_words(recording)}", width)
    yield ""
    yield fill(verdict(review), width)
    if review.found:
        for onset in review.onsets:
            yield fill(f"{kb.failures[onset.failure].name}: {onset_words(onset, recording)}.", width)
        if review.remarks:
            yield fill(remarks_words(review), width)
        if review.sufficed is not None:
            yield fill(f"From {at(review.sufficed, recording)} on the readings sufficed to name it.", width)
    yield ""
    yield "  chance    before  what has failed"
    for cause in review.causes:
        yield fill(
            names(kb, cause.failures),
            width,
            f"{percent(cause.chance):>8}  {percent(cause.prior):>8}  ",
            " " * 20,
        )
    setting = kb.settings[review.case.setting]
    yield fill(f"Odds: {setting.name} ('before' is the chance before any reading).", width)
    yield ""
    yield "Not to be believed"
    if not review.doubted:
        yield "  no instrument"
    for doubted in review.doubted:
        recorded = "" if doubted.recorded else " (not recorded)"
        blame = (
            f"; suspect: {kb.failures[doubted.blame].name}"
            if doubted.blame
            else "; nothing in the list explains it"
        )
        yield fill(
            f"{kb.gauges[doubted.gauge].name}{recorded} from {at(doubted.since, recording)}{blame}",
            width,
            "  ",
            "    ",
        )
    yield ""
    yield "Where channels disagreed"
    changes = [(change, residual.relation) for residual in review.residuals for change in residual.changes]
    if not changes:
        yield "  nowhere for long"
    for change, relation in sorted(changes, key=lambda pair: pair[0].onset)[:12]:
        until = "to the end" if change.until == float("inf") else f"to {at(change.until, recording)}"
        yield fill(
            f"{at(change.onset, recording)} {until}: {relation.name}, by {apart_words(change, relation)}",
            width,
            "  ",
            "    ",
        )
    yield ""
    yield from open_questions(review, width)
    yield "The file"
    if not recording.faults:
        yield "  nothing wrong was found in it"
    for fault in recording.faults:
        yield fill(str(fault), width, "  ", "    ")
    yield ""
    yield fill(CAUTION, width)


def _digits(size: float) -> int:
    """Digits behind the point that a difference is written with: two figures, and never a power of ten."""
    return 0 if abs(size) >= 10.0 else 1 if abs(size) >= 1.0 else 2


def apart_words(change: Change, relation: Relation) -> str:
    """By how much channels part: "+2,200 ft"."""
    return f"{change.size:+,.{_digits(change.size)}f} {relation.unit}"


def too_small(review: Review) -> Iterator[str]:
    """Leaks that would not show: what an altimeter or an airspeed may be off by without being called so."""
    kb, channels = review.network.kb, review.recording.channels
    limits = {}
    for gauge, channel in (("altimeter", "altimeter_ft"), ("airspeed", "airspeed_kt")):
        facet = kb.facet(f"{gauge}.value")
        high = next(r.where["end"][0] for r in facet.readings if r.id == "high")
        if channel in channels:
            limits[gauge] = f"{high:.0f} {kb.recorded[channel].unit}"
    if not limits:
        return
    leak = "a small leak in the pitot or static lines"
    if "gps_height_ft" not in channels:
        yield f"{leak}: there is no GPS altitude to compare the altimeter with"
    else:
        bounds = " and ".join(f"the {kb.gauges[g].name} by less than {limit}" for g, limit in limits.items())
        yield f"{leak} that did not come at once, which puts {bounds} off"
    for residual in review.residuals:
        if residual.relation.id == "static_step" and not review.found:
            for change in residual.changes:
                yield f"why altimeter and airspeed stepped together at {at(change.onset, review.recording)}: the altimeter by {change.size:+.0f} ft"


def open_questions(review: Review, width: int) -> Iterator[str]:
    """What the data cannot tell, and what would."""
    kb = review.network.kb
    yield "What this recording cannot tell"
    first = review.causes[0]
    if first.alike:
        yield fill(f"{names(kb, first.failures)} apart from {', '.join(kb.failures[a].name for a in first.alike)}: a look at the parts would", width, "  ", "    ")  # fmt: skip
    silent = [kb.gauges[gauge].name for gauge in review.silent if kb.gauges[gauge].instrument]
    yield fill(
        f"what these showed, which were not recorded: {', '.join(silent) or 'none'}", width, "  ", "    "
    )
    for text in too_small(review):
        yield fill(text, width, "  ", "    ")
    for facet, gain in review.would_help:
        gauge = kb.gauges[facet.partition(".")[0]].name
        yield fill(f"the {gauge} would have told most ({gain:.1f} bits)", width, "  ", "    ")
    yield ""


def review_data(review: Review) -> dict[str, Any]:
    """The review as data for JSON. Times in seconds from the first row."""
    recording = review.recording
    return {
        "file": recording.name,
        "date": date_of(recording),
        "minutes": round(min_from_s(float(recording.seconds)), 2),
        "rows": recording.rows,
        "rows_lost": recording.lost,
        "panel": review.case.panel,
        "setting": review.case.setting,
        "verdict": verdict(review),
        "ranking": [
            {"failures": list(c.failures), "before": c.prior, "chance": c.chance, "alike": list(c.alike)}
            for c in review.causes
        ],
        "onset": [
            {"failure": o.failure, "at_s": o.likeliest, "earliest_s": o.earliest, "latest_s": o.latest, "before_start": o.before_start, "showed_s": o.showed}
            for o in review.onsets
        ],
        "sufficed_s": review.sufficed,
        "disbelieve": [
            {"gauge": d.gauge, "from_s": d.since, "trust": d.trust, "recorded": d.recorded} for d in review.doubted
        ],
        "disagreements": [
            {"relation": c.relation, "from_s": c.onset, "to_s": None if c.until == float("inf") else c.until, "by": c.size}
            for residual in review.residuals
            for c in residual.changes
        ],
        "not_recorded": list(review.silent),
        "remarks": list(review.remarks),
        "unsettled": list(review.unsettled),
        "faults": [{"kind": f.kind, "row": f.row, "column": f.column, "says": f.says} for f in recording.faults],
        "caution": CAUTION,
    }  # fmt: skip


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
