"""Why the ranking is what it is, what each failure looks like, and what tells failures apart.

``weights`` says what each reading speaks for and against, ``otherwise`` what was not looked at and what
would have changed the ranking, ``why`` puts them together. ``pictures`` says what every gauge shows for
a failure in one condition, ``contrast`` where failures part, ``signature`` makes a failure's page.
"""
