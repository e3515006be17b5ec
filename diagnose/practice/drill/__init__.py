"""The drill: a student learns failure patterns and where to look.

Every exercise is made anew from the physics (a flight is simulated) and marked by the engine (the chance
of each answer given what the student saw); nothing comes from a list. ``studio`` holds what one panel
needs, ``belief`` what can be known, ``flights`` draws flights, ``name_it``, ``predict``, ``fly_on`` and
``scan`` are the four kinds of exercise, ``gaze`` judges a scan, ``marking`` reads and scores answers,
``curriculum`` says what there is to learn and in which order, ``schedule`` when to ask again, ``store``
keeps the progress, ``progress`` sums it up, ``sitting`` makes a session of it all.
"""
