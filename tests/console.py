"""The command line from a test: ``run`` within this process, ``process`` as a program of its own.

``run`` shares knowledge and engines with the other tests and takes a tenth of the time; ``process`` is for
what only a process shows: signals, encodings, pipes, what is imported, and that both say the same.
"""

from __future__ import annotations

import io
import os
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout
from unittest import mock

from diagnose.cli import main

PYTHON = (sys.executable, "-m", "diagnose")


def process(*arguments, text="", timeout=120, **options):
    """Run the command line as a program; gives its CompletedProcess."""
    return subprocess.run(
        [*PYTHON, *arguments], input=text, capture_output=True, text=True, timeout=timeout, **options
    )


def _stream(content=b""):
    return io.TextIOWrapper(io.BytesIO(content), encoding="utf-8", newline="")


def run(*arguments, text=""):
    """Run the command line in this process, away from any terminal; gives a CompletedProcess too."""
    from diagnose.practice.drill.studio import Studio
    from tests.drilled import studio_of

    out, err = _stream(), _stream()
    with (
        mock.patch.object(Studio, "of", studio_of),
        mock.patch.object(sys, "stdin", _stream(text.encode())),
        mock.patch.dict(os.environ, {"COLUMNS": "80", "LINES": "24"}),
        redirect_stdout(out),
        redirect_stderr(err),
    ):
        try:
            code = main([str(argument) for argument in arguments])
        except SystemExit as left:
            code = left.code
    shown = []
    for stream in (out, err):
        stream.flush()
        shown.append(stream.buffer.getvalue().decode())
    return subprocess.CompletedProcess([*PYTHON, *arguments], code or 0, *shown)
