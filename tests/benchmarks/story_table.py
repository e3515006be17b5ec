"""Writes ``knowledge/evidence/stories.json``: how stories were heard when each batch was new, and how now.

Run from the root: ``python -m tests.benchmarks.story_table --to knowledge/evidence/stories.json``.
"""

from __future__ import annotations

import argparse
import json
import tomllib
from pathlib import Path

from diagnose import load_knowledge
from tests.stories import DATA, remarks, score

COMMAND = "python -m tests.benchmarks.story_table --to knowledge/evidence/stories.json"
FILE = "stories_fresh.toml"


def table() -> dict[str, object]:
    """The stored result: by batch the figures when it was new, and each key's class now; remarks by class."""
    kb = load_knowledge()
    told = tomllib.loads((DATA / FILE).read_text(encoding="utf-8"))
    engines: dict[str, object] = {}
    batches = []
    for batch in told["batch"]:
        listed = [story for story in told["story"] if story["split"] == batch["name"]]
        now = score(listed, kb, engines, rank=False)
        classes = {
            "right": now.met,
            "asked": now.asked,
            "not_used": now.keys - now.met - now.asked - now.spoiled,
            "wrong": now.spoiled,
            "misread_now": now.wrong,
        }
        batches.append(batch | {"stories": len(listed)} | classes)
    kinds = remarks(kb).values()
    names = ("right", "asked", "not used", "wrong")
    short = {name.replace(" ", "_"): sum(len(kind.get(name, ())) for kind in kinds) for name in names}
    return {"command": COMMAND, "batches": batches, "remarks": short}


def main() -> None:
    """Measure, and write the file."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--to", type=Path, required=True, metavar="FILE")
    chosen = parser.parse_args()
    chosen.to.write_text(json.dumps(table(), indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
