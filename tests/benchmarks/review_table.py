"""Simulated recordings with known truth, reviewed: ``python tests/benchmarks/review_table.py --first 501``.

The simulator's quantities reach a quarter beyond the ranges that the likelihood tables were made from. A failure
counts as isolable in a flight if the engine ranks it first from an ideal observer's readings of the recorded gauges
(``simulate.snapshots``); a failure that the recorded channels cannot tell from it counts as it.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from multiprocessing import Pool
from pathlib import Path

import msgspec

sys.path.insert(0, str(Path(__file__).parents[2]))

from diagnose import engine_for, load_knowledge
from diagnose.advice.coverage import Alike
from diagnose.model import CaseRecord
from diagnose.practice.simulate import snapshots
from diagnose.review.causes import alike_to
from diagnose.review.findings import review
from diagnose.review.mapping import guess
from diagnose.review.recording import read
from diagnose.review.table import layout_of
from tests.recorded import beyond_the_tables, fly, scenario, written

PANEL = "single_pump"
#: an onset nearer than this is right; one whose interval is no longer than the other showed at once
NEAR_S, SHARP_S = 60.0, 180.0
HEALTHY = ("ordinary", "rough", "draughts", "wind", "sloppy")
_KEPT: dict[str, object] = {}


def _tools():
    if not _KEPT:
        kb = load_knowledge()
        _KEPT.update(kb=kb, engine=engine_for(kb, PANEL), wide=beyond_the_tables(kb))
    return _KEPT["kb"], _KEPT["engine"], _KEPT["wide"]


def one(job):
    """Fly, write, read and review one flight; what came of it as plain data."""
    failure, onset, seed, hz, gps, kind, setting = job  # onset as in ``recorded.scenario``
    kb, engine, wide = _tools()
    record = scenario(PANEL, seed, failure, onset, kind=kind)
    simulation = fly(engine.network, record, wide)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "flight.csv"
        path.write_text(written(simulation, hz, gps, seed, kind))
        began = time.perf_counter()
        layout = layout_of(path, kb)
        mapping = guess(layout, kb).mapping
        found = review(engine, read(layout, mapping, kb), mapping, setting=setting)
        took = time.perf_counter() - began
    first = found.causes[0]
    real = [
        f
        for f, c in zip(engine.network.failures, found.failures_over_time[-1], strict=True)
        if c > 0.5 and f.kind.value == "failure"
    ]
    result = {
        "failure": failure, "onset_kind": onset, "seed": seed, "hz": hz, "gps": gps, "kind": kind, "took": took,
        "first": list(first.failures), "alike": list(first.alike), "chance": first.chance, "above_half": [f.id for f in real],
    }  # fmt: skip
    if failure:
        named = {*first.failures, *first.alike}
        result["right"] = failure in named and bool(first.failures)
        at = record.failure[0].at_minutes * 60.0
        onsets = [o for o in found.onsets if o.failure == failure or failure in first.alike]
        if onsets and result["right"]:
            result["onset_off"] = onsets[0].likeliest - at
            result["inside"] = onsets[0].earliest <= at <= onsets[0].latest
            result["wide"] = onsets[0].latest - onsets[0].earliest
            result["before_start"] = onsets[0].before_start > 0.5
        result["isolable"], result["told_apart"] = _isolable(
            engine, simulation, record, setting, found.told, gps
        )
        if not result["right"]:
            result["rank_chance"] = float(
                dict(
                    zip(
                        [f.id for f in engine.network.failures],
                        found.failures_over_time[-1].tolist(),
                        strict=True,
                    )
                ).get(failure, 0.0)
            )
    return result


def _isolable(engine, simulation, record, setting, told, gps):
    """Whether an observer who reads the truth on the facets that are recorded ranks the failure first, and is sure.

    That a GPS is dark is not recorded: a recorder loses it for reasons of its own. Without GPS nothing in the
    recording tells the true airspeed, so that only an airspeed of zero can be known to be wrong.
    """

    def recorded(name, reading):
        known = gps or name != "airspeed.value" or reading == "zero"
        return name in told and reading != "dark" and known

    unseen = [g for g in engine.network.panel.gauges if not gps and g.startswith("gps")]
    ideal = tuple(
        msgspec.structs.replace(s, readings={name: r for name, r in s.readings.items() if recorded(name, r)})
        for _, s in snapshots(simulation, unseen)
    )
    case = CaseRecord(title="", panel=PANEL, setting=setting, minutes_since_start=30.0, snapshot=ideal)
    ranking = engine.posterior(case).ranking()
    truth = record.failure[0].id
    facets = tuple(dict.fromkeys(name for s in ideal for name in s.readings))
    named = {truth, *alike_to(Alike(engine.network, facets), truth)}
    chance = sum(ranked.posterior for ranked in ranking if named & set(ranked.failures))
    return bool(named & set(ranking[0].failures)), chance >= engine.network.kb.limits.decided


def jobs(seeds, failures, settings=("routine",), rates=((1, True), (1, False)), healthy=10, first=1):
    kb = load_knowledge()
    panel = set(kb.panel(PANEL).parts)
    for setting in settings:
        for place, (hz, gps) in enumerate(rates):
            for failure in kb.failures.values():
                if failure.kind.value != "failure" or failure.silent or not set(failure.acts) <= panel:
                    continue
                if failures and failure.id not in failures:
                    continue
                onset = "gradual" if failure.onset == "gradual" else "sudden"
                if not failure.begins_in_flight:
                    onset = "from_start"
                for seed in range(seeds):
                    yield failure.id, onset, seed + first, hz, gps, "ordinary", setting
            for kind in HEALTHY:
                for seed in range(healthy):
                    # another flight and another aircraft for each kind, each rate, with and without GPS
                    number = 100 * first + place * healthy + seed + 100000 * HEALTHY.index(kind)
                    yield "", "sudden", number, hz, gps, kind, setting


def summary(results):
    """What stands in ``knowledge/evidence/review.json``: counts by failure, rate and GPS, and of sound flights."""
    failures, sound, totals = [], [], []
    for hz, gps in sorted({(r["hz"], r["gps"]) for r in results}, key=lambda key: (key[0], not key[1])):
        own = [r for r in results if (r["hz"], r["gps"]) == (hz, gps)]
        failing = [r for r in own if r["failure"]]
        for name in dict.fromkeys(r["failure"] for r in sorted(failing, key=lambda r: r["failure"])):
            rows = [r for r in failing if r["failure"] == name]
            failures.append({
                "hz": hz, "gps": gps, "failure": name, "flights": len(rows),
                "isolable": sum(r["isolable"] for r in rows), "first": sum(r["right"] for r in rows),
                "first_of_isolable": sum(r["right"] and r["isolable"] for r in rows),
                "onset_off_s": [round(r["onset_off"]) for r in rows if "onset_off" in r],
                "instead": sorted({" + ".join(r["first"]) or "nothing" for r in rows if not r["right"]}),
            })  # fmt: skip
        for kind in HEALTHY:
            rows = [r for r in own if not r["failure"] and r["kind"] == kind]
            named = sorted({" + ".join(r["above_half"]) for r in rows if r["above_half"]})
            sound.append({
                "hz": hz, "gps": gps, "kind": kind, "flights": len(rows),
                "above_half": sum(bool(r["above_half"]) for r in rows), "named": named,
            })  # fmt: skip
        iso = [r for r in failing if r["isolable"]]
        sure = [r for r in failing if r["told_apart"]]
        sudden = [r for r in iso if r["right"] and r["onset_kind"] == "sudden" and "onset_off" in r]
        sharp = [r for r in sudden if r["wide"] <= SHARP_S]
        before = [r for r in iso if r["right"] and r["onset_kind"] == "from_start" and "before_start" in r]
        totals.append({
            "hz": hz, "gps": gps, "failing": len(failing), "first": sum(r["right"] for r in failing),
            "isolable": len(iso), "first_of_isolable": sum(r["right"] for r in iso),
            "told_apart": len(sure), "first_of_told_apart": sum(r["right"] for r in sure),
            "sudden": len(sudden), "sudden_near": sum(abs(r["onset_off"]) <= NEAR_S for r in sudden),
            "sudden_inside": sum(r["inside"] for r in sudden),
            "sharp": len(sharp), "sharp_near": sum(abs(r["onset_off"]) <= NEAR_S for r in sharp),
            "from_start": len(before), "from_start_told": sum(r["before_start"] for r in before),
            "sound": sum(not r["failure"] for r in own),
            "sound_above_half": sum(bool(r["above_half"]) for r in own if not r["failure"]),
        })  # fmt: skip
    return {"totals": totals, "sound": sound, "failures": failures}


def table(found):
    """The summary as text."""
    lines = []
    for total in found["totals"]:
        key = (total["hz"], total["gps"])
        lines.append(f"\n{key[0]} Hz, {'with' if key[1] else 'without'} GPS")
        lines.append(f"{'failure':32} flights isolable first  first of isolable  onset off, s")
        lines += [
            f"{r['failure']:32} {r['flights']:5} {r['isolable']:8} {r['first']:5} {r['first_of_isolable']:8}/{r['isolable']:<6} "
            f"{' '.join(map(str, r['onset_off_s'])):14} {', '.join(r['instead'])}"
            for r in found["failures"]
            if (r["hz"], r["gps"]) == key
        ]
        lines.append(
            f"first in {total['first_of_isolable']}/{total['isolable']} of the isolable, {total['first_of_told_apart']}/{total['told_apart']} of those told apart, {total['first']}/{total['failing']} of all; "
            f"onset of sudden ones within {NEAR_S:.0f} s: {total['sudden_near']}/{total['sudden']}, inside the interval "
            f"{total['sudden_inside']}/{total['sudden']}, of those that showed at once {total['sharp_near']}/{total['sharp']}; "
            f"there from the start: {total['from_start_told']}/{total['from_start']} told so"
        )
        lines += [
            f"sound, {r['kind']}: {r['above_half']}/{r['flights']} with a failure above 0.5 {', '.join(r['named'])}"
            for r in found["sound"]
            if (r["hz"], r["gps"]) == key
        ]
    return "\n".join(lines)


def _key(result):
    return tuple(result[name] for name in ("failure", "onset_kind", "seed", "hz", "gps", "kind"))


def _kept(raw, work):
    """Outcomes that an earlier run has kept, of the flights that are wanted."""
    if raw is None or not raw.exists():
        return []
    wanted = {job[:6] for job in work}
    return [r for r in map(json.loads, raw.read_text().splitlines()) if _key(r) in wanted]


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=1, help="flights for each failure")
    parser.add_argument(
        "--first", type=int, default=1, help="first seed; those from 1 on have been looked at"
    )
    parser.add_argument("--healthy", type=int, default=10, help="sound flights of each kind")
    parser.add_argument("--failure", action="append", default=[])
    parser.add_argument("--setting", default="routine")
    parser.add_argument("--rates", default="1g,1n,4g,4n")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument(
        "--raw", type=Path, help="keep every flight's outcome there, a line each, and do not fly it again"
    )
    parser.add_argument("--to", type=Path, help="write the summary there")
    chosen = parser.parse_args()
    rates = [(int(r[0]), r[1] == "g") for r in chosen.rates.split(",")]
    work = list(jobs(chosen.seeds, chosen.failure, (chosen.setting,), rates, chosen.healthy, chosen.first))
    results = _kept(chosen.raw, work)
    done = {_key(result) for result in results}
    work = [job for job in work if job[:6] not in done]
    with Pool(chosen.processes) as pool:
        for number, result in enumerate(pool.imap_unordered(one, work), 1):
            results.append(result)
            if chosen.raw:
                with chosen.raw.open("a") as file:
                    file.write(json.dumps(result) + "\n")
            print(f"\r{number}/{len(work)}", end="", file=sys.stderr, flush=True)
    found = {"command": " ".join(["python", "tests/benchmarks/review_table.py", *sys.argv[1:]]), **summary(results)}  # fmt: skip
    if chosen.to:
        chosen.to.write_text(json.dumps(found, indent=1) + "\n")
    print(table(found))


if __name__ == "__main__":
    main()
