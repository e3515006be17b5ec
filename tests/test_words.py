"""Plain words: what is understood, what is asked back, and that nothing is guessed."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.language import (
    AsExpected,
    Disagreement,
    RestAsExpected,
    Said,
    Switched,
    complete_words,
    entry_forms,
    find,
    parse_line,
    say_back,
    scene_words,
)
from diagnose.language.gauge import reading_ways
from diagnose.language.names import forms, phrases, plain, without_filler
from diagnose.model.errors import CaseError, DiagnoseError, UnknownName
from tests.small import shipped

PANELS = tuple(shipped().panels)


def parse(line, panel="single_pump"):
    return parse_line(line, shipped(), shipped().panel(panel))


def told(line, panel="single_pump"):
    """Facet -> reading of the readings of a line, with how sure where it is not plain."""
    return {
        s.facet: s.reading if s.sure == 1.0 else (s.reading, s.sure)
        for s in parse(line, panel)
        if isinstance(s, Said)
    }


AIRSPEED_FALLING = {"airspeed.trend": "falling"}
BOTH = {"airspeed.trend": "falling", "altimeter.trend": "steady"}


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("airspeed falling", AIRSPEED_FALLING),
        ("AIRSPEED Falling!", AIRSPEED_FALLING),
        ("the ASI was dropping", AIRSPEED_FALLING),
        ("airspeed: decreased", AIRSPEED_FALLING),
        ('"airspeed.trend" = "falling"', AIRSPEED_FALLING),
        ("airspeed fal", AIRSPEED_FALLING),
        ("airpseed faling", AIRSPEED_FALLING),
        ("airspeed falling falling", AIRSPEED_FALLING),
        ("airspeed didn't move", {"airspeed.trend": "steady"}),
        ("airspeed not falling", {"airspeed.trend": ("falling", 0.0)}),
        ("airspeed wasn't falling", {"airspeed.trend": ("falling", 0.0)}),
        ("compass not swinging wildly", {"compass.trend": ("swinging", 0.0)}),
        ("altimeter probably not right", {"altimeter.value": ("right", 0.15)}),
        ("the airspeed was wrong", {"airspeed.value": ("normal", 0.0)}),
        ("maybe the airspeed was wrong", {"airspeed.value": ("normal", 0.25)}),
        ("airspeed low and not falling", {"airspeed.value": "low", "airspeed.trend": ("falling", 0.0)}),
        ("airspeed no reading", {"airspeed.value": "zero"}),
        ("airspeed fell to zero", {"airspeed.trend": "falling", "airspeed.value": "zero"}),
        ("airspeed value low", {"airspeed.value": "low"}),
        ("airspeed low and falling", {"airspeed.value": "low", "airspeed.trend": "falling"}),
        ("airspeed low, falling", {"airspeed.value": "low", "airspeed.trend": "falling"}),
        ("vsi frozen at zero", {"vertical_speed.rate": "zero"}),
        ("VSI pegged at the upper stop", {"vertical_speed.rate": "pegged_up"}),
        ("attitude leaning left", {"attitude.behaviour": "leaning", "attitude.bank": "left"}),
        ("horizon slowly leaned to the left", {"attitude.behaviour": "leaning", "attitude.bank": "left"}),
        ("tc level, flag out", {"turn_coordinator.turn": "level", "turn_coordinator.flag": "showing"}),
        ("turn and bank wings-level", {"turn_coordinator.turn": "level"}),
        ("airspeed falling; altimeter steady", BOTH),
        ("airspeed falling, altimeter steady", BOTH),
        ("airspeed falling. Altimeter steady.", BOTH),
        ("airspeed falling but the altimeter was stuck", BOTH),
        ("airspeed falling while altimeter steady", BOTH),
        ("airspeed falling altimeter steady", BOTH),
        ("airspeed and altimeter frozen", {"airspeed.trend": "steady", "altimeter.trend": "steady"}),
        ("airspeed, altimeter frozen", {"airspeed.trend": "steady", "altimeter.trend": "steady"}),
        ("suction fell to zero", {"suction.value": "zero"}),
        ("suction in the green", {"suction.value": "normal"}),
        ("radios cutting in and out", {"radios.state": "weak"}),
        ("panel lights dim", {"lights.state": "dim"}),
        ("pitot heat amps none", {"heater_load.state": "none"}),
        ("my attitude indicator is leaning and I don't know why", {"attitude.behaviour": "leaning"}),
        ("heading disagrees with compass", {"heading.value": "off"}),
    ],
)
def test_readings_are_understood(line, expected):
    assert told(line) == expected


@pytest.mark.parametrize(
    ("line", "sure"),
    [
        ("probably airspeed falling", 0.85),
        ("airspeed probably falling", 0.85),
        ("airspeed falling, I think", 0.9),
        ("I think airspeed was falling", 0.9),
        ("maybe airspeed falling", 0.75),
        ("airspeed almost certainly falling", 0.95),
        ("not sure airspeed falling", 0.7),
        ("airspeed 70% falling", 0.7),
        ("airspeed falling (70 %)", 0.7),
        ("airspeed falling 70 percent", 0.7),
        ("airspeed falling?", 0.75),
        ("airspeed 100 % falling", 1.0),
    ],
)
def test_doubt_is_heard(line, sure):
    if sure is None:
        with pytest.raises(CaseError, match="does not name a gauge"):
            parse(line)
    else:
        assert parse(line) == (Said(facet="airspeed.trend", reading="falling", sure=sure),)


def test_doubt_belongs_to_the_gauge_beside_it():
    plainly = {"airspeed.trend": "falling", "altimeter.trend": ("steady", 0.85)}
    assert told("airspeed falling and altimeter probably steady") == plainly
    assert told("airspeed falling and probably altimeter steady") == plainly
    assert told("airspeed probably falling, altimeter steady") == {
        "airspeed.trend": ("falling", 0.85),
        "altimeter.trend": "steady",
    }


def test_certainties_are_more_than_a_toss_and_less_than_knowledge():
    for way, chance in phrases().certainty.items():
        doubted = "think" in way or "believe" in way
        assert (0.0 < chance < 0.5) if doubted and "not" in way else (0.5 < chance < 1.0), way
    assert 0.5 < phrases().question < 1.0


@pytest.mark.parametrize(
    "line",
    [
        "attitude disagrees with turn coordinator",
        "the attitude indicator disagreed with the TC",
        "attitude and turn coordinator disagree",
        "attitude and tc do not agree",
        "ai vs tc",
    ],
)
def test_a_disagreement_is_heard(line):
    assert parse(line) == (Disagreement(first="attitude", second="turn_coordinator"),)


def test_a_disagreement_stands_beside_other_statements():
    said = parse("attitude disagrees with turn and bank and airspeed probably falling but vsi zero")
    assert said == (
        Disagreement(first="attitude", second="turn_coordinator"),
        Said(facet="airspeed.trend", reading="falling", sure=0.85),
        Said(facet="vertical_speed.rate", reading="zero"),
    )


@pytest.mark.parametrize(
    ("line", "statement"),
    [
        ("rest as expected", RestAsExpected()),
        ("everything else normal", RestAsExpected()),
        ("all other instruments OK", RestAsExpected()),
        ("all normal", RestAsExpected()),
        ("vsi normal", AsExpected(gauge="vertical_speed")),
        # in a turn a normal heading indicator is not a steady one
        ("heading normal", AsExpected(gauge="heading")),
        ("tc probably fine", AsExpected(gauge="turn_coordinator", sure=0.85)),
        ("pitot heat on", Switched(switch="pitot_heat", position="on")),
        ("alt static was switched on", Switched(switch="alternate_static", position="on", moved=True)),
    ],
)
def test_other_statements_are_heard(line, statement):
    assert parse(line) == (statement,)


@pytest.mark.parametrize(
    ("line", "error", "text"),
    [
        (
            "airspeed",
            CaseError,
            "this does not say what the airspeed indicator did. Try: add one of: errat",
        ),
        ("airspeed, ", CaseError, "this does not say what the airspeed indicator did"),
        ("compass heading steady", CaseError, "this does not say what the magnetic compass did"),
        ("falling", CaseError, "'falling' does not say which gauge. Try: airspeed falling."),
        ("the", CaseError, "'the' does not name a gauge"),
        ("a", CaseError, "'a' does not name a gauge"),
        ("probably", CaseError, "'probably' does not name a gauge"),
        (
            "airspeed purple",
            UnknownName,
            "there is no reading of the airspeed indicator 'purple'. Try: erratic",
        ),
        (
            "airspeed falling, then steady",
            CaseError,
            "'then steady' tells of another moment. Try: start a",
        ),
        ("airspeed falling later rising", CaseError, "'later rising' tells of another moment"),
        ("airspeed 80 kt", CaseError, "numbers are not read: '80'. Try: erratic, rising"),
        (
            "airspeed 40 % falling",
            CaseError,
            "'40 %' does not say how sure you are. Try: give more than 50",
        ),
        (
            "vsi stuck",
            CaseError,
            "'stuck' does not say what the vertical speed indicator showed: say where it",
        ),
        ("tc dead", CaseError, "does not say what the turn coordinator showed: say what it shows now, and"),
        (
            "vsi isn't working",
            CaseError,
            "'not working' does not say what the vertical speed indicator showed",
        ),
        ("vsi pegged", CaseError, "'pegged' can mean several readings of the vertical speed indicator. Try"),
        (
            "gps steady",
            UnknownName,
            "'gps' can mean several gauges. Try: gps altitude, gps spe",
        ),
        ("airspeed falling rising", CaseError, "the airspeed indicator cannot be both falling and rising"),
        # "right" is a word for "agrees" too: it must not become evidence that nobody gave
        ("heading drifting right", CaseError, "the heading indicator cannot be both drifting and right"),
        (
            "electric attitude level",
            CaseError,
            "the panel single pump has no electric attitude indicator. Try",
        ),
        ("standby suction on", CaseError, "the panel single pump has no standby suction"),
        ("foo bar", UnknownName, "there is no gauge 'foo'. Try: airspeed, altimeter"),
        ("attitude disagrees", CaseError, "this does not say with what the attitude indicator disagrees"),
        ("attitude disagrees with banana", UnknownName, "there is no gauge 'banana'"),
        ("attitude probably disagrees with tc", CaseError, "a disagreement cannot be given as unsure"),
        (
            "climb",
            CaseError,
            "'climb' is a maneuver, not what a gauge showed. Try: start a moment with",
        ),
        ("icing", CaseError, "'icing' is a condition of the day, not what a gauge showed. Try: give it"),
        (
            "vacuum pump failed",
            CaseError,
            "'vacuum pump failed' is a failure, not what a gauge showed. Try",
        ),
    ],
)
def test_what_is_not_understood_is_asked_back(line, error, text):
    with pytest.raises(error) as caught:
        parse(line)
    assert text in str(caught.value)


@pytest.mark.parametrize(
    "line",
    ["the AI is showing a left bank but we're level", "attitude leaning, we were level", "I was level"],
)
def test_what_the_aircraft_did_is_no_reading_of_the_gauge_named_before(line):
    with pytest.raises(CaseError, match="level' tells what was flown, not what a gauge showed"):
        parse(line)
    assert scene_words(line, shipped()).manoeuvre == "level"


def test_gauges_that_were_level_still_are():
    assert told("attitude was level") == {"attitude.bank": "level"}
    assert told("altimeter and vsi were level") == {
        "altimeter.trend": "steady",
        "vertical_speed.rate": "zero",
    }


def test_a_bad_piece_spoils_the_whole_line():
    with pytest.raises(UnknownName, match="purple"):
        parse("airspeed falling; altimeter purple")


@pytest.mark.parametrize("line", ["", ";;", ", ,", " . "])
def test_nothing_says_nothing(line):
    assert parse(line) == ()


# ------------------------------------------------------------------ every word of the knowledge base


@pytest.mark.parametrize("gauge_id", list(shipped().gauges))
def test_every_word_of_every_reading_is_understood(gauge_id):
    gauge = shipped().gauges[gauge_id]
    panel = next(panel for panel in PANELS if gauge_id in shipped().panel(panel).gauges)
    for facet in gauge.facets:
        for reading in facet.readings:
            for word in forms(reading.id, reading.id, reading.words):
                if word in phrases().normal and reading.id == "steady":
                    expected = (AsExpected(gauge=gauge_id),)
                else:
                    expected = (Said(facet=f"{gauge_id}.{facet.id}", reading=reading.id),)
                with_facet = f"{gauge.words[0]} {plain(facet.id)} {word}"
                assert parse(with_facet, panel) == (Said(facet=f"{gauge_id}.{facet.id}", reading=reading.id),)
                first = next(
                    f for f in gauge.facets if any(word in forms(r.id, r.id, r.words) for r in f.readings)
                )
                if first is facet and word not in phrases().filler:
                    for name in forms(gauge.id, gauge.name, gauge.words):
                        assert parse(f"the {name.upper()} was {word}", panel) == expected, (name, word)


@pytest.mark.parametrize(
    "table", ["manoeuvres", "context", "panels", "settings", "switches", "gauges", "failures"]
)
def test_every_name_finds_its_entry_and_no_other(table):
    known = entry_forms(getattr(shipped(), table))
    for entry, ways in known.items():
        for way in ways:
            assert find(way, known, "entry") == entry, way


def test_every_failure_is_found_by_its_id():
    known = entry_forms(shipped().failures)
    assert all(find(entry, known, "failure") == entry for entry in known)


def test_words_of_two_readings_of_one_facet_would_hide_each_other():
    for gauge in shipped().gauges.values():
        for facet in gauge.facets:
            said = [w for r in facet.readings for w in forms(r.id, r.id, r.words)]
            assert len(said) == len(set(said)), f"{gauge.id}.{facet.id}"


@pytest.mark.parametrize("word", list(phrases().same))
def test_every_other_word_leads_to_a_reading_of_some_gauge(word):
    others = phrases().same[word]
    assert any(
        other in forms(r.id, r.id, r.words)
        for other in others
        for g in shipped().gauges.values()
        for f in g.facets
        for r in f.readings
    )


# ------------------------------------------------------------------ properties

GAUGES = shipped().panel("single_pump").gauges
SPOKEN = st.sampled_from(
    [
        (gauge, f"{gauge}.{facet}", reading, " ".join(way))
        for gauge in GAUGES
        for way, (facet, reading) in reading_ways(shipped().gauges[gauge]).items()
        # "showing" is a reading only behind its facet, and "normal" is one that the maneuver decides
        if without_filler(way) and not set(way) & set(phrases().normal)
    ]
)


@given(
    st.lists(SPOKEN, min_size=1, max_size=4, unique_by=lambda s: s[0]), st.sampled_from(["; ", ", ", " and "])
)
def test_statements_stand_beside_each_other(spoken, between):
    line = between.join(f"{shipped().gauges[gauge].words[0]} {way}" for gauge, _, _, way in spoken)
    assert told(line) == {facet: reading for _, facet, reading, _ in spoken}


@given(st.lists(SPOKEN, min_size=1, max_size=4, unique_by=lambda s: s[0]), st.sampled_from([1.0, 0.8, 0.55]))
def test_what_is_said_back_means_the_same(spoken, sure):
    statements = tuple(Said(facet=facet, reading=reading, sure=sure) for _, facet, reading, _ in spoken)
    assert parse(say_back(statements, shipped())) == statements


WORDS = st.sampled_from(
    [
        *[
            "airspeed",
            "vsi",
            "attitude",
            "tc",
            "flag",
            "value",
            "disagrees",
            "with",
            "and",
            "but",
            "not",
            "probably",
            "rest",
            "normal",
            "left",
            "right",
            "zero",
        ],
        *[
            ",",
            ";",
            ".",
            "?",
            "%",
            "80",
            "the",
            "then",
            "heading",
            "compass",
            "all",
            "pitot",
            "heat",
            "on",
            "70%",
            "trend",
            "-",
            "'",
            "\x00",
            "é",
            "falling",
            "drifting",
        ],
    ]
)


@given(st.one_of(st.text(max_size=40), st.lists(WORDS, max_size=9).map(" ".join)), st.sampled_from(PANELS))
def test_any_line_is_understood_or_asked_back(line, panel):
    try:
        statements = parse(line, panel)
    except DiagnoseError:
        return
    gauges = shipped().panel(panel).gauges
    assert all(s.facet.split(".")[0] in gauges for s in statements if isinstance(s, Said))


# ------------------------------------------------------------------ completion


def offered(text, panel="single_pump"):
    return [candidate for candidate, _, _ in complete_words(text, shipped(), shipped().panel(panel))]


def test_completion_offers_gauges_then_readings_then_what_is_left():
    assert "airspeed" in offered("air")
    assert offered("airspeed fal") == ["falling"]
    assert set(offered("airspeed ")) >= {"rising", "low", "disagrees with"}
    assert "steady" not in offered("airspeed falling ")
    assert "low" in offered("airspeed falling ")
    assert offered("vsi zero; altimeter ste") == ["steady"]
    assert offered("probably airspeed fal") == ["falling"]
    assert "turn coordinator" in offered("attitude disagrees with ")
    assert "airspeed" not in offered("attitude disagrees with ")
    assert "rest as expected" in offered("re")


def test_completion_offers_only_what_the_panel_has():
    assert not offered("electric att")
    assert offered("electric att", "electric_attitude") == ["electric attitude"]
    assert "turn coordinator" not in offered("turn", "electric_attitude")


@pytest.mark.parametrize("gauge", GAUGES)
def test_what_completion_offers_is_understood(gauge):
    name = shipped().gauges[gauge].words[0]
    for candidate in offered(f"{name} "):
        if candidate != "disagrees with":
            assert all(s.facet.startswith(f"{gauge}.") for s in parse(f"{name} {candidate}"))


def test_what_a_gauge_did_not_show_is_said_back():
    said = parse("airspeed not falling; altimeter probably not right; the vsi was wrong")
    assert say_back(said, shipped()) == (
        "airspeed indicator: trend not falling; altimeter: value not right (85 % sure); "
        "vertical speed indicator: not as expected"
    )


def test_a_denial_of_nothing_known_is_asked_back():
    with pytest.raises(CaseError, match="does not say what the airspeed indicator did instead"):
        parse("airspeed not purple")
