"""Memory of one process that answers shipped cases over all panels: ``python tests/benchmarks/memory.py [CASES]``. Not a test."""

from __future__ import annotations

import itertools
import resource
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from diagnose import answer_case, engine_for, load_knowledge
from diagnose.language.case_files import case_paths, load_case
from diagnose.model import CaseRecord, SnapshotRecord

MOST_MB = 400


def main() -> None:
    kb = load_knowledge()
    cases = [load_case(name, kb) for name in case_paths()]
    shot = SnapshotRecord(manoeuvre="level", readings={"altimeter.trend": "rising"})
    own = {
        panel: [c for c in cases if c.panel == panel]
        or [CaseRecord(title="", panel=panel, snapshot=(shot,) * 3)]
        for panel in kb.panels
    }
    turns = itertools.zip_longest(*(itertools.islice(itertools.cycle(c), 20) for c in own.values()))
    chosen = [case for turn in turns for case in turn][: int(sys.argv[1]) if len(sys.argv) > 1 else 60]
    engines = {panel: engine_for(kb, panel) for panel in own}
    start = time.process_time()
    for case in chosen:
        answer_case(kb, case, engines[case.panel], looks="all")
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{len(chosen)} cases, {len(own)} panels: {most:.0f} MB, {time.process_time() - start:.1f} s")
    sys.exit(most > MOST_MB)


if __name__ == "__main__":
    main()
