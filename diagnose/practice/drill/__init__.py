"""The drill: a student learns failure patterns and where to look.

Every exercise is made anew from the physics (a flight is simulated) and marked by the engine (the chance of each
answer given what the student saw); nothing comes from a list.
"""
