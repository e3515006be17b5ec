"""Why the ranking is what it is, what each failure looks like, and what tells failures apart.

``weights`` says what each reading speaks for and against; ``pictures`` what every gauge shows for a
failure in one condition, ``signature`` makes a page of it, ``contrast`` says where failures part.
"""
