"""Exercises of the drill: marked as the engine says, with no look-alike among the wrong answers."""

from __future__ import annotations

import itertools
import math

import msgspec
import numpy as np
import pytest

from diagnose.advice.coverage import SOUND
from diagnose.model import CaseRecord, Grade, SnapshotRecord
from diagnose.model.errors import CaseError, ImpossibleEvidence
from diagnose.practice.drill import scan
from diagnose.practice.drill.kinds import mark, quadratic_score, stated
from diagnose.practice.drill.scan import kept_to, scan_review
from diagnose.practice.drill.session import cards_in_order, make
from diagnose.practice.drill.studio import OPEN, Card, Kind, Option, believe, context_for
from tests.drilled import COUNT, chances_of, foretold, made, named, studio, whole_engine
from tests.examples import LONG

CLAIMS = (
    Option(id="x", like=("x",)),
    Option(id="y", like=("y",)),
    Option(id=SOUND, like=(SOUND,)),
    Option(id=OPEN),
)


# ------------------------------------------------------------------ name it


def test_the_marked_answer_is_the_engines_posterior_at_that_moment():
    told, not_told = studio().number("told"), studio().number("not_told")
    kinds = set()
    for exercise in named():
        chances = chances_of(exercise.options, exercise.flown.case)
        assert exercise.chances == pytest.approx(chances, abs=1e-9)
        (right,) = exercise.right
        kinds.add(exercise.options[right].id if exercise.options[right].id in (SOUND, OPEN) else "failure")
        if exercise.options[right].id == OPEN:
            assert max(chances) <= not_told
        else:
            assert chances[right] == max(chances) >= told
    assert kinds == {SOUND, OPEN, "failure"}


def test_no_wrong_answer_is_one_that_the_readings_hardly_tell_from_the_right_one():
    alike_within = studio().kb.review.alike_within
    for exercise in named():
        likelihood = foretold(exercise.flown.case)
        right = exercise.options[exercise.right[0]]
        if right.id == OPEN:
            continue
        best = max(likelihood.get(name, 0.0) for name in right.like)
        wrong = [n for option in exercise.options if option is not right for n in option.like]
        assert not set(wrong) & set(right.like)
        assert all(likelihood.get(name, 0.0) * alike_within < best for name in wrong), right.id


def test_every_wrong_answer_changes_a_gauge_that_is_changed_here():
    """Nobody takes a stuck ammeter for a dead horizon: what is offered shows on some gauge that shows here."""
    least, seen = studio().number("changes_gauge"), 0

    def changed(name, manoeuvre):
        case = CaseRecord(title="", panel="single_pump", snapshot=(SnapshotRecord(manoeuvre=manoeuvre),))
        (shows,), (usual,) = studio().engine.predict(case, (name,)), studio().engine.predict(case, ())
        return {
            facet.split(".")[0]
            for facet in shows
            if sum(max(shows[facet][r] - usual[facet][r], 0.0) for r in shows[facet]) >= least - 1e-9
        }

    for exercise in named():
        where = exercise.card.manoeuvre
        right = exercise.options[exercise.right[0]]
        if right.id in (OPEN, SOUND):
            continue
        here = {gauge for name in right.like if name != SOUND for gauge in changed(name, where)}
        for option in exercise.options:
            if option is not right and option.id not in (OPEN, SOUND):
                seen += 1
                assert here & changed(option.id, where), (right.id, option.id)
    assert seen > 30


def test_conditions_that_are_told_hold_where_one_flies():
    """No engine that has just been started in a descent, and no 12,000 ft at 4,000 ft."""

    def told(manoeuvre, altitude_ft):
        draws = (np.random.default_rng(seed) for seed in range(200))
        return {f for rng in draws for f in context_for(studio(), SOUND, manoeuvre, altitude_ft, rng)}

    assert told("descent", 4000.0) & {"just_started", "above_12000"} == set()
    assert "above_12000" in told("descent", 13000.0)
    assert "just_started" in told("run_up", 0.0)
    assert not any(
        card.failure == "gyros_spinning_up" and studio().kb.manoeuvres[card.manoeuvre].phase == "air"
        for card in cards_in_order(studio())
    )


def test_the_whole_engine_with_its_pairs_puts_the_marked_answer_first():
    """The drill weighs one failure at a time; with all pairs the leading explanation is the same."""
    agreed = []
    for exercise in named():
        right = exercise.options[exercise.right[0]]
        if right.id == OPEN:
            continue
        leading = whole_engine().posterior(exercise.flown.case).ranking()[0].failures
        agreed.append(bool(set(leading or (SOUND,)) & set(right.like)))
    assert all(agreed), f"{agreed.count(False)} of {len(agreed)}"


def test_where_an_answer_is_told_it_is_what_was_flown():
    for exercise in named():
        right = exercise.options[exercise.right[0]]
        if right.id != OPEN:
            assert exercise.flown.truth in right.like


def test_failures_in_one_answer_make_the_same_instruments_mislead():
    for exercise in named():
        for option in exercise.options:
            if option.id not in (SOUND, OPEN):
                meant = {studio().misleads(name, exercise.card.manoeuvre) for name in option.like}
                assert len(meant) == 1, option


def test_the_same_seed_makes_the_same_exercise():
    card = Card("static_ports_taped", "climb", "name")
    first, again, other = (make(studio(), card, 1, seed) for seed in (4, 4, 5))
    assert first.options == again.options
    assert first.flown.case == again.flown.case
    assert other.flown.case != first.flown.case


# ------------------------------------------------------------------ predict it


def test_what_is_to_be_predicted_is_what_the_engine_predicts():
    checked = 0
    for number, card in enumerate(cards_in_order(studio(), (Kind.PREDICT,))):
        exercise = make(studio(), card, 0, number) if number % 5 == 0 else None
        # an intermittent failure is asked for while it acts, the engine predicts it over all the time
        if exercise is None or studio().kb.failures[card.failure].acting < 1.0:
            continue
        case = CaseRecord(title="", panel="single_pump", snapshot=(SnapshotRecord(manoeuvre=card.manoeuvre),))
        (shows,) = studio().engine.predict(case, (card.failure,))
        for asked in exercise.asked:
            checked += 1
            right = asked.readings[asked.right]
            assert shows[asked.facet][right] == pytest.approx(asked.chance, abs=1e-9)
            assert asked.chance >= studio().number("sure_reading")
            assert all(shows[asked.facet][r] <= asked.chance / 4.0 for r in asked.readings if r != right)
        assert any(a.readings[a.right] != a.usual for a in exercise.asked)
    assert checked > 50


def test_predictions_are_marked_gauge_by_gauge():
    exercise = made("static_ports_taped", "climb", "predict")
    right = "".join("abcdef"[asked.right] for asked in exercise.asked)
    assert exercise.mark(right).correct
    wrong = ("b" if right[0] == "a" else "a") + right[1:]
    marked = exercise.mark(" ".join(wrong))
    assert not marked.correct
    assert marked.score == pytest.approx(1.0 - 1.0 / len(right))
    with pytest.raises(CaseError, match="letters are needed, one per gauge"):
        exercise.mark("a")


# ------------------------------------------------------------------ fly on


def choice(exercise, what):
    (found,) = (c for c in exercise.choices if c.what == what)
    return {found.gauges[place] for place in found.right}


def test_what_to_fly_on_without_the_static_line_and_without_suction():
    """IFH ch. 7 and AC 91-75: without suction bank is flown on the turn coordinator, pitch on the altimeter."""
    blocked = made("static_ports_taped", "climb", "fly")
    assert choice(blocked, "cover") == {"airspeed", "altimeter", "vertical_speed"}
    assert choice(blocked, "pitch") == {"attitude"}
    starved = made("pump_sheared", "level", "fly")
    assert choice(starved, "cover") == {"attitude", "heading"}
    assert choice(starved, "bank") == {"turn_coordinator"}
    assert choice(starved, "pitch") == {"altimeter"}


def test_no_gauge_offered_as_wrong_would_serve():
    kb = studio().kb
    for number, card in enumerate(cards_in_order(studio(), (Kind.FLY,))):
        exercise = make(studio(), card, 0, number) if number % 4 == 0 else None
        if exercise is None:
            continue
        grades = {t.gauge: t.grade for t in studio().trusts(card.failure, card.manoeuvre)}
        covered = choice(exercise, "cover")
        assert covered
        assert all(grades[gauge] is Grade.COVER for gauge in covered)
        for asked in exercise.choices[1:]:
            use = getattr(kb.manoeuvres[card.manoeuvre], asked.what)
            for place, gauge in enumerate(asked.gauges):
                serves = gauge in (use.primary, *use.supporting) and grades.get(gauge) is Grade.USE
                assert grades[gauge] is not Grade.COVER if place in asked.right else not serves


def test_covering_too_much_is_wrong():
    exercise = made("pump_sheared", "level", "fly")
    letters = ["".join("abcdef"[p] for p in sorted(c.right)) for c in exercise.choices]
    assert exercise.mark(" ".join(letters)).correct
    everything = "abcdef"[: len(exercise.choices[0].gauges)]
    marked = exercise.mark(" ".join([everything, *letters[1:]]))
    assert not marked.correct
    assert 0.0 < marked.score < 1.0
    with pytest.raises(CaseError, match="answers are needed, in order"):
        exercise.mark("a")


# ------------------------------------------------------------------ scan


@pytest.fixture(scope="module")
def flight():
    return made("pump_sheared", "level", "scan")


def test_nothing_is_known_before_a_look_and_more_after_each(flight):
    assert flight.chances() == pytest.approx(
        chances_of(flight.options, flight.case(), only_these=True), abs=1e-9
    )
    assert [flight.options[place].id for place in flight.right()] == [OPEN]
    looked = flight
    for gauge in ("airspeed", "altimeter", "attitude", "suction", "vacuum_light") * 8:
        looked = looked.look(gauge)
    assert looked.second == 40 * looked.look_s
    assert looked.chances() == pytest.approx(
        chances_of(looked.options, looked.case(), only_these=True), abs=1e-9
    )
    (place,) = (p for p, option in enumerate(looked.options) if looked.flown.truth in option.like)
    assert looked.chances()[place] > flight.chances()[place]
    assert max(looked.chances()) == looked.chances()[place]


@pytest.mark.parametrize("gauge", ["suction", "heading"])
def test_expected_information_is_that_of_trying_every_reading(flight, gauge):
    """The bits of a look, against the engine asked again with all readings that the gauge could give at once."""
    now = flight
    for looked in ("airspeed", "attitude", "altimeter", "vertical_speed", "turn_coordinator"):
        now = now.look(looked)

    def entropy(case: CaseRecord) -> float:
        chances = believe(studio(), now.engine.posterior(case), now.offered).among(now.options)
        return -sum(c * math.log2(c) for c in chances if c > 0.0)

    case, last = now.case(), now.case().snapshot[-1]
    # what a comparison would tell is not seen by a look at the panel
    facets = [name for name in studio().network.dials if name.split(".")[0] == gauge]
    assert len(facets) == (2 if gauge == "heading" else 1)
    share = studio().number("nothing")
    each = (1.0 - share) / len(now.offered)
    prior = {f.id: each for f in now.engine.network.failures if f.id in now.offered} | {SOUND: share}
    evidence = []
    for readings in itertools.product(*(studio().network.facets[name].readings for name in facets)):
        said = last.readings | dict(zip(facets, readings, strict=True))
        more = msgspec.structs.replace(last, readings=said)
        tried = msgspec.structs.replace(case, snapshot=(*case.snapshot[:-1], more))
        try:
            posterior = now.engine.posterior(tried)
        except ImpossibleEvidence:
            continue
        likelihood, scale = foretold(tried, now.engine), math.exp(posterior.log_evidence)
        evidence.append((scale * sum(prior.get(n, 0.0) * v for n, v in likelihood.items()), entropy(tried)))
    total = sum(weight for weight, _ in evidence)
    expected = entropy(case) - sum(weight / total * after for weight, after in evidence)
    assert now.bits()[gauge] == pytest.approx(expected, abs=1e-6)
    assert all(bits >= -1e-12 for bits in now.bits().values())


def test_the_most_informative_sequence_names_what_was_flown(flight):
    best = flight.best_sequence()
    assert max(best.chances()) >= studio().number("told")
    assert flight.flown.truth in best.options[best.right()[0]].like
    assert best.second >= flight.onset_s


def test_staring_is_fixation_and_what_was_never_looked_at_is_omission(flight):
    stared = flight
    for _ in range(16):
        stared = stared.look("airspeed")
    found = {fault.fault: fault for fault in scan_review(stared).faults}
    assert found["fixation"].gauge == "airspeed"
    assert found["fixation"].seconds == 16 * flight.look_s
    assert found["omission"].gauge in ("suction", "vacuum_light", "attitude")
    assert "emphasis" not in found


def test_coming_back_to_one_gauge_too_often_is_emphasis(flight):
    others = itertools.cycle(("altimeter", "heading", "vertical_speed"))
    looked = flight
    for number in range(20):
        looked = looked.look("airspeed" if number % 2 else next(others))
    found = {fault.fault: fault for fault in scan_review(looked).faults}
    assert found["emphasis"].gauge == "airspeed"
    assert found["emphasis"].share == pytest.approx(0.5)


def test_the_best_sequence_has_none_of_the_faults(flight):
    best = flight.best_sequence()
    assert not {"fixation", "omission"} & {fault.fault for fault in scan_review(best).faults}


def test_a_pattern_kept_to_is_told_from_one_that_is_not(flight):
    pattern = studio().kb.scan_patterns["rectangular"]
    kept, strayed = flight, flight
    for number in range(12):
        kept = kept.look(pattern.gauges[number % 6])
        strayed = strayed.look(("airspeed", "heading", "ball")[number % 3])
    assert kept_to(kept.looks, pattern.gauges) == 1.0
    assert kept_to(strayed.looks, pattern.gauges) == 0.0
    assert scan_review(kept, pattern).followed == 1.0


def test_a_call_is_marked_by_what_was_looked_at(flight):
    letter = "abcdefgh"[[flight.flown.truth in o.like for o in flight.options].index(True)]
    assert not flight.mark(letter).correct
    assert flight.best_sequence().mark(letter).correct
    with pytest.raises(CaseError):
        flight.mark("z")


def letter_for(scan_now, name):
    return "abcdefgh"[[option.id for option in scan_now.options].index(name)]


@pytest.mark.parametrize("given", [OPEN, SOUND])
def test_giving_up_at_once_is_neither_right_nor_wrong(flight, given):
    looked = flight.look("airspeed")
    assert [looked.options[place].id for place in looked.right()] == [OPEN]
    marked = looked.mark(letter_for(looked, given))
    assert (marked.correct, marked.counts, marked.score) == (False, False, 0.0)
    # the same said in chances: sure of nothing
    assert not looked.mark("a 20 b 20 c 20 d 20 e 20").counts
    # a failure named now is a guess, and wrong
    marked = looked.mark(letter_for(looked, looked.options[0].id))
    assert (marked.correct, marked.counts) == (False, True)


def test_giving_up_scores_in_no_flight_in_which_what_fails_can_be_told():
    rng, tried = np.random.default_rng(3), 0
    cards = [c for c in cards_in_order(studio(), (Kind.SCAN,)) if c.failure != SOUND]
    for number in range(max(6, COUNT // 10)):
        now = make(studio(), cards[int(rng.integers(len(cards)))], 0, number)
        if now is None:
            continue
        best = now.best_sequence()
        # somebody who looks where most is to be learned is told what has failed, and not that nothing has
        told = {
            o.id for o, c in zip(best.options, best.chances(), strict=True) if c >= studio().number("told")
        }
        if not told - {SOUND, OPEN}:
            continue
        for stop in sorted(rng.integers(3, now.flown.simulation.samples - 3, 3)):
            while now.second < stop:
                now = now.look(str(rng.choice(studio().seen)))
            for given in (OPEN, SOUND):
                assert not now.mark(letter_for(now, given)).correct, (now.card, now.second)
                tried += 1
    assert tried >= 12


def test_that_nothing_has_failed_is_right_where_nothing_has_and_much_was_looked_at():
    now = made(SOUND, "level", "scan")
    letter = letter_for(now, SOUND)
    best, counted = now.best_sequence(), []
    for look in best.looks:
        while now.second < look.second:
            now = now.wait()
        now = now.look(look.gauge)
        counted.append(now.mark(letter).counts)
    # giving up counts from scan.patience of the flight on; the best looks may be done before that
    while now.second < studio().number("scan.patience") * now.flown.simulation.samples:
        now = now.wait()
    marked = now.mark(letter)
    assert marked.correct
    assert marked.score == 1.0
    assert now.second >= 0.5 * now.flown.simulation.samples
    assert not any(counted[: len(counted) // 2])


def test_calls_of_a_scan_are_marked_as_the_engine_says_of_what_was_looked_at():
    """The right answer is the posterior's after the looks taken, whatever was called and when."""
    told, not_told = studio().number("told"), studio().number("not_told")
    rng, cards = np.random.default_rng(8), cards_in_order(studio(), (Kind.SCAN,))
    for number in range(max(6, COUNT // 10)):
        now = make(studio(), cards[int(rng.integers(len(cards)))], 0, number)
        if now is None:
            continue
        for _ in range(int(rng.integers(5, 80))):
            now = now.look(str(rng.choice(studio().seen)))
        chances = chances_of(now.options, now.case(), only_these=True)
        assert now.chances() == pytest.approx(chances, abs=1e-9)
        best = max(range(len(chances)), key=lambda place: chances[place])
        for place, option in enumerate(now.options):
            marked = now.mark("abcdefgh"[place])
            if not marked.counts:
                assert option.id in (OPEN, SOUND)
            elif option.id == OPEN:
                assert marked.correct == (chances[best] < told) or not marked.correct
            else:
                assert marked.correct == (place == best and chances[place] > not_told)


def test_what_cannot_begin_in_the_air_is_there_from_the_start():
    """A cover left on, a nest or tape is from before the flight; the same rule as for drawn scenarios."""
    begins = set()
    for number, card in enumerate(cards_in_order(studio(), (Kind.SCAN, Kind.NAME))):
        if card.failure == SOUND or number % (3 if LONG else 16):
            continue
        exercise = make(studio(), card, 2, number)
        if exercise is not None:
            failure = studio().kb.failures[exercise.flown.truth]
            (event,) = exercise.flown.simulation.scenario.failure
            begins.add((failure.begins_in_flight, event.at_minutes > 0.0))
            if isinstance(exercise, scan.Scan):
                assert exercise.onset_s == 60.0 * event.at_minutes
    assert begins == {(True, True), (True, False), (False, False)}


def test_looks_in_the_first_seconds_of_a_manoeuvre_tell_nothing(flight):
    early = flight.look("airspeed")
    assert early.looks[0].readings == {}
    later = early
    while later.second < 30:
        later = later.look("airspeed")
    assert set(later.looks[-1].readings) == {"airspeed.trend", "airspeed.value"}


def test_on_the_ground_nothing_is_scanned():
    assert scan.make(studio(), Card("pump_sheared", "run_up", "scan"), 0, np.random.default_rng(1)) is None


# ------------------------------------------------------------------ answers


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("b", 1),
        ("D)", 3),
        ("b 70", (0.15, 0.7, 0.15, 0.0)),
        ("a 60 b 30 c 10", (0.6, 0.3, 0.1, 0.0)),
        ("a60%, b=40%", (0.6, 0.4, 0.0, 0.0)),
        ("a 33 b 33 c 33", (1 / 3, 1 / 3, 1 / 3, 0.0)),
    ],
)
def test_answers_are_letters_or_chances(text, meant):
    assert stated(text, CLAIMS) == (meant if isinstance(meant, int) else pytest.approx(meant))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("e", "not one of the answers"),
        ("", "not one of the answers"),
        ("hello", "not one of the answers"),
        ("a 60 b 20", "add up to 80, not 100"),
        ("a 80 b 80", "add up to 160"),
        ("d 100", "it takes no percentage"),
        ("a 60 or b 40", "not a list of percentages"),
    ],
)
def test_what_is_no_answer_is_explained(text, says):
    with pytest.raises(CaseError, match=says):
        stated(text, CLAIMS)


def test_the_score_is_proper():
    """Brier 1950: the expected score is best for whoever states the chances as they are."""
    rng = np.random.default_rng(1)
    for _ in range(200):
        true, said = rng.dirichlet(np.ones(4)), rng.dirichlet(np.ones(4))

        def expected(stated_chances, true=true):
            outcomes = np.eye(4)
            return sum(
                p * quadratic_score(stated_chances, outcome)
                for p, outcome in zip(true, outcomes, strict=True)
            )

        assert expected(true) >= expected(said)
        # marking against the posterior loses nothing of that but a constant
        lost = expected(true) - expected(said)
        assert 1.0 - quadratic_score(said, true) == pytest.approx(lost)


def test_chances_that_put_two_first_are_no_lucky_hit():
    """ "d 1" spreads the rest evenly: right by the order of the answers only."""
    chances = (0.99, 0.01, 0.0, 0.0)
    for text in ("c 1", "a 50 b 50", "b 40 a 40 c 20"):
        marked = mark(text, CLAIMS, chances, (0,), 0.9)
        assert (marked.correct, marked.given) == (False, OPEN)
    assert mark("a 51 b 49", CLAIMS, chances, (0,), 0.9).correct


def test_somebody_sure_of_nothing_is_right_where_it_cannot_be_told():
    chances = (0.5, 0.4, 0.1, 0.0)
    assert mark("a 50 b 40 c 10", CLAIMS, chances, (3,), 0.9).correct
    assert not mark("a 95 b 5", CLAIMS, chances, (3,), 0.9).correct
    marked = mark("a 95 b 5", CLAIMS, chances, (3,), 0.9)
    assert (marked.sure, marked.engine) == (pytest.approx(0.95), 0.5)
