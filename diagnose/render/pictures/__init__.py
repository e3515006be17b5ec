"""Pictures of the panel: every gauge drawn from numbers, as SVG and as text. Pure functions, no state.

A panel's state is a mapping from what a hand or window reads (``airspeed_kt``: ``dials.needed`` lists a
dial's names) to a number; lamps and flags are 0 or 1, windows may hold words. A name that is missing or
not a number draws its hand, lamp or window blank.
"""
