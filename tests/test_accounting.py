"""Which sentences let no reading into the case: every kind of word that turns, moves or only supposes what was seen.

Each rule is shown on phrases of its own kind that stand in no story of tests/data, beside a plain one that is read.
"""

from __future__ import annotations

import pytest

from diagnose.language.prose import read_story
from tests.small import shipped


def readings(text):
    return [
        (p.gauge, f"{'!' if p.sure < 0.5 else ''}{p.reading or p.kind}")
        for s in read_story(text, shipped())
        for p in s.pieces
        if p.kind in ("reading", "expected", "disagree", "rest")
    ]


def values(text, kind):
    return [p.value for s in read_story(text, shipped()) for p in s.pieces if p.kind == kind]


def reasons(text):
    return [u.why for s in read_story(text, shipped()) for u in s.unused if u.why]


SILENT = {
    "a word behind the gauge that nobody knows": [
        "The altimeter was steady blorping.",
        "The suction was low frobnicating.",
        "In the climb the DG spun grumpled.",
    ],
    "somebody did it, and no needle": [
        "The suction was low. When I shut down I patted the cowling.",
        "The ammeter was at zero. Shut off everything but the beacon.",
        "The airspeed fell. When we turned off we taxied to the fuel.",
    ],
    "only meant to be done": [
        "I was going to fail the airspeed on her.",
        "He was about to cover the attitude indicator.",
        "We planned to lose the suction halfway.",
    ],
    "what might explain it": ["Could be a worn DG or low suction.", "She said it might be low suction."],
    "what others thought": [
        "She thought the suction had gone.",
        "The mechanic thought the airspeed was dead.",
    ],
    "taught, always said or advised": [
        "They always told us no airspeed means stop.",
        "Recommendation: lower the nose when the airspeed falls.",
    ],
    "said of anybody": ["The trouble is that when the pump fails you follow the horizon over."],
    "the adjective of another noun": [
        "The VSI was zero. With full power and a steady climb picture I went on.",
        "The airspeed was falling. I kept a level pitch picture.",
    ],
    "no part of it is denied by not": ["Then it was the gyro and not the pump.", "So not the suction."],
    "the color that a lamp has": [
        "I know where the amber low voltage light is.",
        "It has a red vacuum light.",
    ],
    "a fact of the ground": ["We found a rotor bearing seized.", "They found the vane of the pump broken."],
}


@pytest.mark.parametrize(
    ("kind", "text"), [(kind, text) for kind, listed in SILENT.items() for text in listed]
)
def test_what_is_not_accounted_for_is_no_reading(kind, text):
    last = read_story(text, shipped())[-1]
    told = [p for p in last.pieces if p.kind in ("reading", "expected", "disagree", "rest") and p.sure >= 0.5]
    assert [(p.gauge, p.reading) for p in told] == [], kind


def test_the_word_in_the_way_is_shown():
    assert reasons("The altimeter was steady blorping.") == ["'blorping' is not understood"]
    assert reasons("She said it might be low suction.") == ["only supposed"]
    assert reasons("It would creep up and then sink back on the airspeed.")[-1:] != []


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # where, when and for how long is no word in the way
        ("The altimeter was stuck across half of Ohio.", ("altimeter", "steady")),
        ("The suction was low for the better part of a fortnight.", ("suction", "low")),
        ("The AI tumbled with a wallop.", ("attitude", "tumbling")),
        ("The DG was drifting like a cork.", ("heading", "drifting")),
        ("Halfway to Tulsa the airspeed froze.", ("airspeed", "steady")),
        # "right" that names no side
        ("The horizon flopped right over.", ("attitude", "tumbling")),
        ("The airspeed came right up.", ("airspeed", "rising")),
        ("The DG right beside it was drifting.", ("heading", "drifting")),
        # numbers one after the other, and those of the needle that is spoken of
        ("The airspeed read 110, 90, then 70.", ("airspeed", "falling")),
        ("The airspeed was odd. It had read 65 before. I had 65 in the climb.", ("airspeed", "!normal")),
        # the number of a gauge behind it
        ("I saw 2 inches on the suction gauge.", ("suction", "low")),
        # what cannot be said of it is meant of what can
        ("The fuse blew, and the TC hardly deflected.", ("turn_coordinator", "sluggish")),
        # how low it went in the end
        ("The suction was low. The needle sank to zero.", ("suction", "zero")),
        # "it was X" names what follows
        ("The suction was fine. It was the horizon itself. It leaned to the left.", ("attitude", "left")),
        ("The HSI refused to rotate.", ("heading", "steady")),
        ("Altitude and VSI were unaffected.", ("altimeter", "right")),
        ("AI: leaning to the left.", ("attitude", "left")),
        ("i looked at the suction. its fine.", ("suction", "normal")),
        ("teh altimeter wnet down.", ("altimeter", "falling")),
        ("The needle of the speed was stuck.", ("airspeed", "steady")),
    ],
)  # fmt: skip
def test_what_is_accounted_for_is_read(text, expected):
    assert expected in readings(text)


@pytest.mark.parametrize(
    ("text", "gauges"),
    [
        # a number that is a time, a wind, an amount or the airplane's own
        ("Level at 09:40 the airspeed was 110. At 10:15 it was the same.", {"airspeed"}),
        ("We crossed the field with 30 knots on the tail.", set()),
        ("The needle of the VSI jumped 300.", {"vertical_speed"}),
        ("The airplane was climbing at 600 fpm by my watch.", set()),
    ],
)
def test_numbers_that_no_needle_showed(text, gauges):
    found = readings(text)
    assert {gauge for gauge, _ in found} <= gauges
    assert not {"climb", "descent", "rising", "falling", "high"} & {reading for _, reading in found}


@pytest.mark.parametrize(
    "text",
    [
        "My husband loves night flying.",
        "It had been blowing all night.",
        "I need a new vacuum pump.",
        "We found the rotor seized.",
        "They pulled a wasp nest out of the tube.",
    ],
)
def test_what_is_liked_needed_or_found_is_no_condition_of_the_day(text):
    assert values(text, "condition") == []


@pytest.mark.parametrize(
    ("text", "moved"),
    [
        ("I flew home on the standby.", []),
        ("The pitot heat breaker on our side popped.", []),
        ("The pitot heat annunciator was on.", []),
        ("I turned on the pitot heat.", ["pitot_heat"]),
        ("The pitot heat was on.", ["pitot_heat"]),
    ],
)
def test_a_switch_is_moved_only_where_its_position_is_said(text, moved):
    assert values(text, "switch") == moved


@pytest.mark.parametrize(
    ("text", "flown"),
    [
        ("The VSI was zero. Descended through a hole.", ["descent"]),
        ("The airspeed was sagging the higher we climbed.", ["climb"]),
        ("Climbing out I thought of my breakfast.", ["climb"]),
        ("The AI was level. I rolled right.", ["right_turn"]),
    ],
)
def test_what_was_flown_is_no_reading(text, flown):
    assert values(text, "flown") == flown
    assert not {"climb", "descent"} & {reading for _, reading in readings(text)}


# ---------------------------------------------------------------- pronouns


@pytest.mark.parametrize(
    ("text", "gauge"),
    [
        # a needle is a gauge that has one, never a gyro
        ("The horizon lay on its side. The altimeter was stuck. The pointer dropped.", "altimeter"),
        ("The AI toppled. The suction was low. The needle sank to zero.", "suction"),
        ("The DG spun. The ammeter showed a discharge. The needle went to the minus side.", "ammeter"),
    ],
)
def test_a_needle_is_of_a_gauge_that_has_one(text, gauge):
    told = [p for p in read_story(text, shipped())[-1].pieces if p.kind in ("reading", "expected")]
    assert {p.gauge for p in told} == {gauge}


@pytest.mark.parametrize(
    "text",
    [
        "The altimeter was stuck. Came back over the field and landed.",
        "The suction fell. Came back for fuel.",
        "The airspeed was low. Came back with the sun in our eyes.",
    ],
)
def test_who_came_back_is_no_gauge(text):
    assert len(readings(text)) == 1
    # with a gauge as its subject it is
    assert readings("The altimeter was stuck. The altimeter came back.")[-1] == ("altimeter", "right")


@pytest.mark.parametrize(
    "text", ["We diverted to a VFR field.", "It is a VFR airport.", "He keeps it at a VFR strip."]
)
def test_a_field_is_no_weather(text):
    noted = values(text, "noted")
    assert not any(value.startswith("no: ") for value in noted)


@pytest.mark.parametrize(
    "text",
    [
        "The airspeed was falling. It did it all over again.",
        "The VSI was erratic. It stopped.",
        "In the climb the altimeter would hang and then drop.",
    ],
)
def test_what_may_mean_something_else_is_not_taken_for_a_reading(text):
    first, *more = readings(text) or [("", "")]
    assert more == []
    assert first[1] in ("", "falling", "erratic")


# ---------------------------------------------------------------- vague words


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("The AI was playing up.", ("attitude", "!stable")),
        ("The airspeed indicator was useless.", ("airspeed", "!normal")),
        ("The altimeter was unreliable.", ("altimeter", "!right")),
        ("The suction gauge was misbehaving.", ("suction", "!normal")),
        ("The airspeed went bonkers.", ("airspeed", "erratic")),
        ("The altimeter was all over the shop.", ("altimeter", "erratic")),
        ("The radios were broken.", ("radios", "!normal")),
    ],
)
def test_vague_words_say_that_it_was_not_normal(text, expected):
    assert readings(text) == [expected]


@pytest.mark.parametrize("text", ["The VSI was useless.", "The turn coordinator was unreliable."])
def test_a_vague_word_that_leaves_the_way_open_is_asked(text):
    pieces = [p for s in read_story(text, shipped()) for p in s.pieces]
    assert [p.kind for p in pieces] == ["asked"]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("The vacuum light lit up. The gauge had dropped to 2.", ("suction", "low")),
        ("The low volts light was on. The dial showed a discharge.", ("ammeter", "discharge")),
    ],
)
def test_the_gauge_behind_a_light_is_the_dial_of_its_system(text, expected):
    assert readings(text)[-1] == expected
