"""Review after a flight: recorded data to a timeline, a cause and what was wrong with the file.

``table`` reads a file as columns of text and keeps what they mean (the maps), ``mapping`` guesses which column is
what (``judging``), ``dialogue`` shows it and takes corrections, ``recording`` puts the channels on one grid of
seconds and tells what is wrong (``clock``). ``relations`` compares what does not share a source, less the
``wind``; ``motion`` is how it flew, ``windows`` are the snapshots' places, ``compared`` reads facets in them;
``coding`` makes snapshots of it, ``findings`` asks the engine, ``causes`` what explains it and when it began.
"""
