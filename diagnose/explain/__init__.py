"""Why the ranking is what it is, what each failure looks like, and what tells failures apart.

``weights`` says what each reading speaks for and against; ``signature`` what the gauges show for a
failure; ``contrast`` where failures part.
"""
