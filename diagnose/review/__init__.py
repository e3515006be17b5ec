"""Review after a flight: recorded data to a timeline, a cause and what was wrong with the file.

``table`` reads a file as columns of text, ``mapping`` guesses which column is what (``names``, ``judging``),
``dialogue`` shows it and takes corrections, ``recording`` puts the
channels on one grid of seconds and tells what is wrong (``clock``, ``position``). ``motion``, ``wind`` and
``relations`` compare what does not share a source, ``windows`` are the snapshots' places, ``compared`` reads facets
in them, less what a healthy horizon errs (``horizon``) and what was flown otherwise than meant (``twins``);
``coding`` makes snapshots of it, ``findings`` asks the engine (``causes``), ``began`` and ``onset`` when it began.
"""

from diagnose.review.began import Onset
from diagnose.review.causes import Cause
from diagnose.review.dialogue import changed_text, columns_text, corrected, guess_of
from diagnose.review.findings import Doubted, Review, review, reviewed
from diagnose.review.mapping import Guess, guess
from diagnose.review.recording import Fault, Recording, read
from diagnose.review.records import MappedColumn, MapRecord, dump_map, load_map
from diagnose.review.table import Layout, layout_of

__all__ = [
    "Cause",
    "Doubted",
    "Fault",
    "Guess",
    "Layout",
    "MapRecord",
    "MappedColumn",
    "Onset",
    "Recording",
    "Review",
    "changed_text",
    "columns_text",
    "corrected",
    "dump_map",
    "guess",
    "guess_of",
    "layout_of",
    "load_map",
    "read",
    "review",
    "reviewed",
]
