"""A pilot's own story: what is taken in, what is asked, what is no evidence, and that nothing is lost in silence."""

from __future__ import annotations

import pytest

from diagnose.language.lexicon import unknown_readings
from diagnose.language.prose import TAKEN_BACK, read_story
from tests.small import shipped


def readings(text):
    """(gauge, reading, how sure) of every reading of a text; "expected" where a gauge was as it should be."""
    return [
        (p.gauge, p.reading or p.kind, p.sure)
        for s in read_story(text, shipped())
        for p in s.pieces
        if p.kind in ("reading", "expected")
    ]


def kinds(text):
    return {p.kind for s in read_story(text, shipped()) for p in s.pieces}


def test_every_reading_that_the_words_name_is_one_of_a_gauge():
    assert unknown_readings(shipped()) == []


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "The light never came on, I mean the low voltage light never came on.",
            ("low_voltage_light", "out", 1.0),
        ),
        ("The airspeed never came alive.", ("airspeed", "zero", 1.0)),
        ("I think the airspeed was low.", ("airspeed", "low", 0.9)),
        ("The VSI was pegged at 2,000 up.", ("vertical_speed", "pegged_up", 1.0)),
        ("Suction 3.8.", ("suction", "low", 1.0)),
        ("Suction was on 5 inches.", ("suction", "normal", 1.0)),
        ("The voltmeter read 10 volts.", ("voltmeter", "low", 1.0)),
        ("Altimeter read 500 ft low.", ("altimeter", "low", 1.0)),
        ("Airspeed went from 145 to 105.", ("airspeed", "falling", 1.0)),
        ("The DG was off by 30.", ("heading", "off", 1.0)),
        ("No indication on the ammeter of any discharge.", ("ammeter", "normal", 1.0)),
        ("The compass said 180 while the DG said 210.", ("heading", "off", 1.0)),
        ("We were in the climb and the ASI just sat there at 80.", ("airspeed", "steady", 1.0)),
    ],
)
def test_what_was_said_is_taken_in(text, expected):
    assert expected in readings(text)


@pytest.mark.parametrize(
    "text",
    [
        "It must have been the vacuum pump.",
        "I figured the airspeed was stuck because of ice.",
        "I never noticed the low voltage light.",
        "I don't remember what the suction was.",
        "If the suction drops you lose the gyros.",
        "What does a blocked static port look like?",
        "Why not the vacuum pump?",
        "The hair on my neck stood up!",
        "The drain hole looked clear.",
        "We climbed and turned left.",
    ],
)
def test_a_guess_a_question_and_silence_are_no_readings(text):
    assert readings(text) == []


@pytest.mark.parametrize(
    "text",
    [
        "The horizon tilted left.",
        "The VSI was pegged.",
        "I pulled the alternate air.",
        "The pressure dropped.",
        "The compass was drifting.",
    ],
)
def test_what_can_mean_two_things_is_asked(text):
    assert "asked" in kinds(text)
    assert readings(text) == []


@pytest.mark.parametrize(
    "text",
    [
        "I usually leave the pitot heat off below the clouds.",
        "Next time I will watch the suction drop.",
        "You would see the airspeed fall.",
        "The ammeter should have shown a charge.",
        "The shop found the vacuum pump shaft sheared.",
        "They discovered a wasp nest in the pitot tube.",
        "My mechanic drained water out of the static line.",
        "I pulled the nose up and pitched for 75.",
        "I rolled right to level it.",
    ],
)
def test_habits_plans_findings_and_control_actions_are_no_readings(text):
    assert readings(text) == []
    assert "switch" not in kinds(text)


def test_a_finding_is_noted_with_its_words():
    pieces = [
        p for s in read_story("The shop found the vacuum pump shaft sheared.", shipped()) for p in s.pieces
    ]
    assert [(p.kind, p.value) for p in pieces] == [
        ("noted", "found afterwards: The shop found the vacuum pump shaft sheared")
    ]


def test_a_habit_ends_where_the_day_itself_is_told():
    text = "I normally trust the altimeter, but the airspeed was stuck."
    assert readings(text) == [("airspeed", "steady", 1.0)]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # what should have been read is no number of what was read
        ("Suction showed 3.5 instead of the usual 5.", [("suction", "low", 1.0)]),
        # a range is no way from one end to the other
        ("The airspeed was hunting between 90 and 120.", [("airspeed", "erratic", 1.0)]),
        # the gauge at the end owns what stands before it
        ("The handheld GPS showed a steady groundspeed.", [("gps_speed", "steady", 1.0)]),
        # a number on the way down is no normal reading
        ("The suction was dropping, 4.8, then 3.9.", [("suction", "low", 1.0)]),
        # where it ended counts, not the way there
        ("The VSI dropped to zero.", [("vertical_speed", "zero", 1.0)]),
        # a manoeuvre after "after" says when
        ("The DG was drifting after a turn.", [("heading", "drifting", 1.0)]),
        # what stopped climbing stands
        ("The altimeter stopped climbing.", [("altimeter", "steady", 1.0)]),
        # how far off in degrees is nothing of an altitude
        ("The controller said I was 30 degrees off.", []),
        ("The DG was out by 25.", [("heading", "off", 1.0)]),
        # a VSI that is slow tells no descent
        ("The VSI was slow.", []),
        ("Outside we were level.", [("outside", "level", 1.0)]),
        # stuck in one breath with the altimeter
        (
            "Both the altimeter and the VSI had not moved.",
            [("altimeter", "steady", 1.0), ("vertical_speed", "zero", 1.0)],
        ),
    ],
)
def test_a_piece_keeps_to_its_gauge(text, expected):
    assert list(dict.fromkeys(readings(text))) == expected  # the same said twice is one


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # numbers in words, steps, and what a number is compared with
        ("The compass read two four zero while the DG read two seven five.", ("heading", "off", 1.0)),
        ("Altimeter read 450. Then the altimeter jumped to 1,900.", ("altimeter", "rising", 1.0)),
        ("In level flight the airspeed was 124 knots, normally 105.", ("airspeed", "high", 1.0)),
        ("Airspeed read lower than it should have.", ("airspeed", "low", 1.0)),
        ("The ASI was 10 knots high.", ("airspeed", "high", 1.0)),
        ("Ammeter showed minus twenty.", ("ammeter", "discharge", 1.0)),
        # a sentence without stops
        ("the airspeed fell to zero the altimeter was fine", ("altimeter", "right", 1.0)),
        # what came back is what had gone wrong
        ("The AI leaned left. The ball was centered. Then it righted itself.", ("attitude", "stable", 1.0)),
        # what was looked at last is what "it" means
        ("My AI fell over. I glanced at the DG. It was spinning.", ("heading", "spinning", 1.0)),
        ("I looked outside and we were level.", ("outside", "level", 1.0)),
    ],
)
def test_the_words_between_are_accounted_for(text, expected):
    assert expected in readings(text)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        # a word between the gauge and the behavior that nobody knows
        ("The airspeed flange was stuck.", "'flange' is not understood"),
        ("The suction can drop in a climb.", "only supposed"),
        ("The altimeter was far from normal.", "does not say what it showed"),
    ],
)
def test_a_reading_that_is_not_accounted_for_is_shown_as_not_used(text, why):
    (sentence,) = read_story(text, shipped())
    assert not [piece for piece in sentence.pieces if piece.kind in ("reading", "expected")]
    assert any(why in unused.why for unused in sentence.unused)


@pytest.mark.parametrize(
    "text",
    [
        "I was writing down ATC requests.",
        "I covered the attitude indicator with a sticky note.",
        "We were reversing heading to return to better weather.",
        "Level, the airspeed was low. Began to pick up mild ice.",
        "My passenger's tablet agreed with me.",
        "He carefully stabilized the flaps.",
        "Is it normal for the AI to be tilted?",
        "Level at 3,000 the GPS had us doing 85 over the ground.",
        "Gave the suction ten minutes at fast idle.",
        "Level, the airspeed was low. It was freezing outside.",
    ],
)
def test_what_somebody_did_or_something_else_was_is_no_reading_of_a_gauge(text):
    assert [r for r in readings(text) if r != ("airspeed", "low", 1.0)] == []


@pytest.mark.parametrize("text", ["Level, I called approach.", "Level. The controller gave me a left turn."])
def test_what_atc_is_or_says_is_not_flown(text):
    flown = [p.value for s in read_story(text, shipped()) for p in s.pieces if p.kind == "flown"]
    assert flown == ["level"]


def test_what_was_only_supposed_still_says_what_it_means():
    text = "The low voltage light should have come on but it stayed dark."
    assert readings(text) == [("low_voltage_light", "out", 1.0)]


def test_all_three_are_the_gauges_on_the_static_source_and_never_the_view_outside():
    text = "The altimeter and the VSI were frozen. I leveled by looking outside. Pulled the alternate static and all three came to life."
    alive = {gauge for gauge, _, _ in readings(text)[2:]}
    assert alive == {"altimeter", "vertical_speed", "airspeed"}


def test_needles_with_feet_are_those_of_an_altimeter():
    text = "Level, the altimeter was jerky. The VSI was erratic. Tapped the glass and the needle jumped 300 feet."
    assert [gauge for gauge, _, _ in readings(text)] == ["altimeter", "vertical_speed", "altimeter"]


def test_a_light_of_which_nothing_was_said_is_no_other_gauge():
    text = "The radios were weak. The light went out."
    assert [gauge for gauge, _, _ in readings(text)] == ["radios"]


def test_what_calmed_down_is_what_was_restless():
    text = "The airspeed was jumping around. The altimeter was stuck. Then it calmed down."
    assert readings(text)[-1] == ("airspeed", "steady", 1.0)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # it did not move in a maneuver: what that gauge shows where nothing moves it
        ("The TC gave up. It never moved when we rolled into a right turn.", ("turn_coordinator", "level", 1.0)),
        ("The VSI worried me. It did not move when we descended.", ("vertical_speed", "zero", 1.0)),
        ("My altimeter was odd. It just didn't respond as I climbed.", ("altimeter", "steady", 1.0)),
        # the same number again
        ("Airspeed stuck at 85. In the following descent it still read 85.", ("airspeed", "steady", 1.0)),
        # pegged at a number is no stop
        ("In the climb the ASI was pegged at 95.", ("airspeed", "steady", 1.0)),
        # a needle is known by its number
        ("The airspeed sank from 105 to 60. VSI showed zero. Then the needle sprang back to 105.", ("airspeed", "normal", 1.0)),
        # how, and no reading of its own
        ("The ammeter had a constant discharge.", ("ammeter", "discharge", 1.0)),
        ("The VSI showed a steady 700 down.", ("vertical_speed", "descent", 1.0)),
        # the gauge beside the lamp
        ("The low volt light came on. The gauge showed a discharge.", ("ammeter", "discharge", 1.0)),
        ("The vac light lit up. Needle read zero.", ("suction", "zero", 1.0)),
        # what ATC sees
        ("Tower said we were 500 feet high.", ("atc_height", "differs", 1.0)),
        ("Level at 6,000 center showed me at 6,700.", ("atc_height", "differs", 1.0)),
        ("Level at 6,000 center showed me at 6,100.", ("atc_height", "agrees", 1.0)),
        ("The altimeter was still set to 29.41 rather than 30.05.", ("setting_check", "mis_set", 1.0)),
        # sides
        ("Our ball went left and stayed there.", ("ball", "off_centre", 1.0)),
        ("The ball slid right as it should.", ("ball", "off_centre", 1.0)),
        ("Suction was low at idle but rose to 5.", ("suction", "normal", 1.0)),
    ],
)  # fmt: skip
def test_what_pilots_leave_to_the_listener_is_understood(text, expected):
    assert expected in readings(text)


@pytest.mark.parametrize(
    "text",
    [
        "The ammeter had a constant discharge.",
        "The VSI showed a steady 700 down.",
        "In the climb the ASI was pegged at 95.",
        "The ball slid right as it should.",
        "Level at 6,000 center showed me at 6,700.",
    ],
)
def test_one_thing_said_is_one_reading(text):
    assert len(readings(text)) == 1
    assert "asked" not in kinds(text)


@pytest.mark.parametrize(
    "text",
    [
        "I pushed the throttle forward and up.",
        "She pulled the power back.",
        "We taxied past the approach end.",
        "Nothing was actually broken and no instruments had failed.",
        "The static line was disconnected behind the panel.",
        "A pitot plug was left on.",
        "Somebody had left the pitot cover still on.",
        "When I dialed in the new altimeter setting the altimeter went up 300 feet.",
        "ATC told us to descend to 4,000.",
    ],
)
def test_what_a_hand_moved_or_a_mechanic_found_is_no_reading(text):
    assert readings(text) == []


@pytest.mark.parametrize(
    ("text", "cold", "noted"),
    [
        ("In cruise at 8,000, OAT minus 6.", True, ""),
        ("Level at 5,500, temperature plus 4.", False, "outside air 4 °C"),
        ("At 9,000 it was minus 12 outside.", True, ""),
        ("The outside air at 7,000 was lovely.", False, ""),
    ],
)
def test_a_temperature_is_the_number_beside_it(text, cold, noted):
    pieces = [p for s in read_story(text, shipped()) for p in s.pieces]
    assert ("below_freezing" in [p.value for p in pieces if p.kind == "condition"]) == cold
    assert [p.value for p in pieces if p.value.startswith("outside air")] == ([noted] if noted else [])


def test_how_much_belongs_to_the_gauge_before_and_is_no_time():
    (sentence,) = read_story("Level, the DG crept off, about 20 degrees in 5 minutes.", shipped())
    (told,) = [p for p in sentence.pieces if p.kind == "reading"]
    assert (told.gauge, told.size, told.unit) == ("heading", 20.0, "deg")
    assert not [p for p in sentence.pieces if p.kind == "time"]
    assert not sentence.unused


def test_his_airspeed_is_the_other_one_where_there_are_two_seats():
    text = "The first officer was flying. His airspeed fell. My altimeter was stuck."
    assert [gauge for gauge, _, _ in readings(text)] == ["second_airspeed", "altimeter"]
    text = "Airspeed was falling on my side. The captain's side was steady."
    assert readings(text) == [("airspeed", "falling", 1.0), ("second_airspeed", "steady", 1.0)]
    # a student has no gauges of his own
    assert [gauge for gauge, _, _ in readings("My student was flying. His airspeed fell.")] == ["airspeed"]


def test_corrections_are_shown_and_english_is_left_alone():
    (sentence,) = read_story("The altimiter was stuck and the driver of the truck waved.", shipped())
    assert [(slip.typed, slip.meant) for slip in sentence.slips] == [("altimiter", "altimeter")]


@pytest.mark.parametrize(
    ("text", "flown", "gauge"),
    [
        ("Descending my altimeter stayed at 4000.", "descent", "altimeter"),
        ("While climbing the airspeed went to zero.", "climb", "airspeed"),
        ("Climbing our altimeter froze.", "climb", "altimeter"),
    ],
)
def test_what_was_flown_before_a_gauge_with_a_verb_of_its_own_is_no_reading(text, flown, gauge):
    pieces = [p for s in read_story(text, shipped()) for p in s.pieces]
    assert [p.value for p in pieces if p.kind == "flown"] == [flown]
    assert [p.gauge for p in pieces if p.kind == "reading"] == [gauge]


def test_a_gauge_that_only_follows_is_what_shows_it():
    # without a verb of its own the gauge is what showed the descent
    assert ("vertical_speed", "descent") in [r[:2] for r in readings("It showed a descent on the VSI.")]


ANAPHORA = [
    (
        "The altimeter stuck at 2,000 and the VSI showed zero. I opened the alternate static and both came alive.",
        {("altimeter", "right", 1.0), ("vertical_speed", "expected", 1.0)},
    ),
    (
        "The altimeter and airspeed froze. Neither moved.",
        {("altimeter", "steady", 1.0), ("airspeed", "steady", 1.0)},
    ),
    ("The airspeed, which had been calibrated in May, fell to zero.", {("airspeed", "zero", 1.0)}),
    ("I looked at the compass, which was steady.", {("compass", "steady", 1.0)}),
    ("The DG was 20 degrees off, and ten minutes after that it was 40.", {("heading", "off", 1.0)}),
    (
        "The airspeed bounced. The altimeter was fine. Then the fluctuation stopped.",
        {("airspeed", "steady", 1.0)},
    ),
    ("THE A/S DECRD THRU 90 KTS AND WENT TO ZERO.", {("airspeed", "zero", 1.0)}),
    ("The altimeter continued to indicate 7,500 feet.", {("altimeter", "steady", 1.0)}),
    ("The DG drifted. I matched it with the compass and ten minutes later it was off by 20.", {("heading", "off", 1.0)}),
    (
        "The altimeter, VSI and airspeed froze. I opened the alternate static and the altimeter sprang up 300 feet and the "
        "other two came back.",
        {("alternate_altimeter", "jumped_up", 1.0), ("vertical_speed", "expected", 1.0), ("airspeed", "normal", 1.0)},
    ),
    ("The altimeter stuck at 3,200, then dropped all at once to 2,900.", {("altimeter", "jerky", 1.0)}),
    ("The needle and ball were centered.", {("turn_coordinator", "level", 1.0), ("ball", "centred", 1.0)}),
    ("I looked at the suction gauge and there was nothing.", {("suction", "zero", 1.0)}),
    ("Out the window the wings were absolutely level.", {("outside", "level", 1.0)}),
    ("Center had me 300 high. I checked the altimeter setting and it was correct.", {("setting_check", "as_reported", 1.0)}),
    ("The rate of descent was a steady 600.", {("vertical_speed", "descent", 1.0)}),
    ("The airspeed was at 90 and by a thousand feet it had gone to seventy.", {("airspeed", "falling", 1.0)}),
    ("The airspeed came back from one sixty to one thirty, one ten, eighty.", {("airspeed", "falling", 1.0)}),
    ("The AI leaned left. I checked the suction, 4.9. Then the instrument fell on its side.", {("attitude", "tumbling", 1.0)}),
    ("The ammeter was low and the voltage (I carry a small meter) read 11.8.", {("voltmeter", "low", 1.0)}),
    ("Voltage then 12.1 and falling.", {("voltmeter", "low", 1.0)}),
    ("The horizon was still on its side.", {("attitude", "tumbling", 1.0)}),
    ("The alt fail light came on.", {("low_voltage_light", "lit", 1.0)}),
    ("The ammeter went all the way to the left.", {("ammeter", "discharge", 1.0)}),
    ("The VSI sat on the bottom peg.", {("vertical_speed", "pegged_down", 1.0)}),
    ("The DG did not move when we turn.", {("heading", "steady", 1.0)}),
    ("The airspeed was high. I opened the alternate static and it dropped into place.", {("airspeed", "normal", 1.0)}),
    ("The VSI, if I remember right, was at zero.", {("vertical_speed", "zero", 0.85)}),
    ("The altimeter (I think) was low.", {("altimeter", "low", 0.9)}),
    ("The altimeter stuck, or at least I think it did.", {("altimeter", "steady", 0.85)}),
    ("There were two altimeters and the other one was fine.", {("second_altimeter", "expected", 1.0)}),
    ("The other pilot's altimeter was stuck.", {("second_altimeter", "steady", 1.0)}),
    ("On the run the airspeed came up to 45 and quit there.", {("airspeed", "steady", 1.0)}),
    ("The airspeed read 60, then 180, then 70.", {("airspeed", "erratic", 1.0)}),
    ("The height one and the up-and-down one were fine.", {("altimeter", "right", 1.0), ("vertical_speed", "expected", 1.0)}),
    ("Suction was 1.5. I looked at the AI. Then it was showing a left bank.", {("attitude", "left", 1.0)}),
    ("The heading stopped turning.", {("heading", "steady", 1.0)}),
    ("Heading not changing.", {("heading", "steady", 1.0)}),
    ("Approach weren't getting my altitude.", {("atc_height", "no_height", 1.0)}),
    ("My speed slowly decayed and the DG wandered off.", {("airspeed", "falling", 1.0), ("heading", "drifting", 1.0)}),
    ("In the clmb the airspeed kept rising.", {("airspeed", "rising", 1.0)}),
    ("I noted a discharge of 20 amps on the ammeter.", {("ammeter", "discharge", 1.0)}),
    ("The ammeter sat a hair to the left of zero.", {("ammeter", "discharge", 1.0)}),
    ("ATT IND SHOWED A 10 DEG R BANK.", {("attitude", "right", 1.0)}),
    ("The AI and DG failed. I put the standby vacuum on and both instruments recovered.", {("attitude", "stable", 1.0)}),
    ("The airspeed fell and the altimeter likewise dropped.", {("altimeter", "falling", 1.0)}),
    ("The VSI didn't miss a beat.", {("vertical_speed", "expected", 1.0)}),
    ("ATC says 4,500 but my altimeter said 5,000.", {("atc_height", "differs", 1.0)}),
    ("The airspeed was at 80, and now she reads a hundred and five.", {("airspeed", "rising", 1.0)}),
]


@pytest.mark.parametrize(("text", "expected"), ANAPHORA)
def test_what_is_only_referred_to_is_found(text, expected):
    assert expected <= set(readings(text))


@pytest.mark.parametrize(
    ("text", "never"),
    [
        ("The altimeter and airspeed froze. Neither radio worked.", ("altimeter", "right", 0.0)),
        ("The airspeed dropped. The altimeter was fine. Both came back.", ("airspeed", "normal", 1.0)),
        ("The altimeter was wrong, the airspeed too.", ("airspeed", "normal", 1.0)),
        ("The suction was swinging between 3 and 6.", ("suction", "low", 1.0)),
        # where a needle stood, a number in a list, people, a restless needle's numbers
        ("The altimeter was stuck on field elevation.", ("altimeter", "right", 1.0)),
        ("1. Suction was fine. 4. VSI 300 up.", ("suction", "low", 1.0)),
        ("The altimeter was fine and ATC was great.", ("atc_height", "agrees", 1.0)),
        ("The airspeed read 60, then 180, then 60.", ("airspeed", "normal", 1.0)),
        ("The height one was fine and the up-and-down one was fine.", ("airspeed", "erratic", 1.0)),
        ("The altimeter stuck at 1,200. It did that on and off.", ("altimeter", "erratic", 1.0)),
        ("The altimeter was fine. The alternate static changes nothing on the airspeed.", ("airspeed", "zero", 1.0)),
        ("The suction was 5 and the DG was still hanging on.", ("heading", "steady", 1.0)),
        ("The suction was 4.9, plus 3 outside.", ("suction", "low", 1.0)),
        ("We were holding at the VOR and the airspeed was fine.", ("radios", "dead", 1.0)),
        # one of several, and what was done to a thing
        ("The altimeter was fine. I had two airspeed indicators and only one came alive.", ("airspeed", "rising", 1.0)),
        ("The suction was 5. The static system had been opened up.", ("altimeter", "rising", 1.0)),
        # of another gauge than the one it is told of
        ("The altimeter was coming down a thousand a minute.", ("vertical_speed", "descent", 1.0)),
        ("The low voltage light came on. It had started on the way home.", ("altimeter", "steady", 1.0)),
        ("The suction was low and I announced a vacuum failure.", ("suction", "zero", 1.0)),
        ("The voltmeter said 15.9. Ammeter +40.", ("ammeter", "normal", 1.0)),
        # a comment on what was told, a size of what was told, and what a hand did
        ("The AI lay on its side, which is normal for this one.", ("attitude", "stable", 1.0)),
        ("The DG spun after the loop, which was usual.", ("heading", "expected", 1.0)),
        ("The ammeter was on the minus side, about 20 amps.", ("ammeter", "normal", 1.0)),
        ("The altimeter was fine but the airspeed had gone to 40.", ("airspeed", "zero", 1.0)),
        ("The suction was 5. Reducing the rpm brought no change on the gauge.", ("engine", "not_as_set", 1.0)),
    ],
)
def test_what_is_not_clear_is_not_taken_in(text, never):
    assert readings(text)
    assert never not in readings(text)


def test_a_name_that_may_mean_two_things_moves_no_switch():
    assert kinds("I pulled the alternate air.") == {"asked"}


@pytest.mark.parametrize(
    ("text", "sure"),
    [
        ("In the climb the airspeed rose and rose, everything else looked right: what is it, what do I trust, why?", True),
        ("In the climb the airspeed kept rising, which instruments do I trust?", True),
        ("In the climb the airspeed was rising?", False),
    ],
)
def test_a_question_at_the_end_casts_no_doubt_on_what_was_told(text, sure):
    told = [p for s in read_story(text, shipped()) for p in s.pieces if p.facet == "airspeed.trend"]
    assert told
    assert all((p.sure >= 1.0) is sure for p in told)


@pytest.mark.parametrize(
    ("text", "flag"),
    [
        ("The pitot heat was known to be inop.", "pitot_heat_inop"),
        ("Pitot heat MEL'd.", "pitot_heat_inop"),
        ("The pitot heater is inoperative.", "pitot_heat_inop"),
        ("The turn coordinator was placarded.", "turn_coordinator_inop"),
        ("Our DG is on the MEL.", "heading_inop"),
        ("The alternate static had been deferred.", "alternate_static_inop"),
        ("They had worked on the pitot tube since the last flight.", "probe_work"),
        ("The static lines were opened up last week.", "probe_work"),
    ],
)
def test_what_was_known_or_done_before_the_flight_is_a_condition(text, flag):
    pieces = [piece for sentence in read_story(text, shipped()) for piece in sentence.pieces]
    assert [p.value for p in pieces if p.kind == "condition"] == [flag]
    assert not readings(text)


@pytest.mark.parametrize(
    "text", ["The turn coordinator was dead.", "The pitot heat was not inop.", "The altimeter had been right."]
)
def test_what_failed_in_flight_was_not_known_before(text):
    assert "condition" not in kinds(text)


@pytest.mark.parametrize("how", ["", "slowly ", "gradually "])
@pytest.mark.parametrize("tilts", ["tilts to the left", "was tilting right", "leaned to the right", "banks left"])
def test_a_horizon_that_tilts_is_asked_about_in_whichever_words(how, tilts):
    first, _, rest = tilts.partition(" ")
    told = f"{first} {how}{rest}" if first == "was" else f"{how}{tilts}"
    assert "asked" in kinds(f"The horizon {told}.")
    assert not readings(f"The horizon {told}.")


def of_kind(text, *wanted):
    return [(p.value or p.reading) for s in read_story(text, shipped()) for p in s.pieces if p.kind in wanted]


@pytest.mark.parametrize(
    ("did", "action"),
    [
        ("I cycled the alternator switch", "alternator reset"),
        ("I turned the alternator off and on again", "alternator reset"),
        ("I reset my generator", "alternator reset"),
        ("I switched the master off and back on", "alternator reset"),
        ("I switched off the autopilot", "autopilot off"),
        ("I turned the autopilot off", "autopilot off"),
        ("I disconnected the autopilot", "autopilot off"),
        ("I tapped the glass", "gauge tapped"),
        ("I put the pitot heat on", "pitot_heat"),
        ("I turned on pitot heat", "pitot_heat"),
        ("I tried the alternate static", "alternate_static"),
    ],
)
@pytest.mark.parametrize(
    "effect", [" and it did nothing.", ", no change.", " but nothing happened.", ". No luck.", ", nothing.", " without any effect.", " and nothing changed."]
)
def test_an_action_without_effect_is_heard_whatever_it_was(did, action, effect):
    text = f"{did}{effect}"
    assert action in of_kind(text, "switch", "noted")
    assert "same" in kinds(text)


@pytest.mark.parametrize(
    "back",
    [
        "No, that was the other day.",
        "That was on another flight.",
        "Sorry, that was in a different airplane.",
        "Scratch that.",
        "I take that back.",
        "No, that was last week.",
    ],
)
def test_what_is_taken_back_is_withdrawn_and_shown(back):
    read = read_story(f"The airspeed stuck at 40. {back} The suction was low.", shipped())
    assert [(p.gauge, p.reading) for s in read for p in s.pieces if p.kind == "reading"] == [("suction", "low")]
    assert [u.gauge for s in read for u in s.unused if u.why == TAKEN_BACK] == ["airspeed"]


@pytest.mark.parametrize("told", [
        "I forgot that it was last set at home.",
        "That was in the climb.",
        "It was last night.",
        "I decided to ignore it.",
        "I expected it to rise but that did not happen.",
        "We take it back to the shop on Monday.",
    ],
)
def test_when_it_was_takes_nothing_back(told):
    assert "steady" in [reading for _, reading, _ in readings(f"The airspeed stuck at 40. {told}")]
