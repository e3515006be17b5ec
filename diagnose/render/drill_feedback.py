"""What was right and why, as text: mechanism, readings that tell, why not the look-alike, source."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from diagnose.advice.advise import partial_panel
from diagnose.advice.coverage import SOUND
from diagnose.advice.explain.contrast import compare
from diagnose.advice.explain.signature import signature
from diagnose.advice.explain.weights import contrasts, statements_of
from diagnose.knowledge.load import KnowledgeBase
from diagnose.language import readable
from diagnose.model import Grade
from diagnose.network.posterior import Posterior
from diagnose.practice.drill.kinds import COVER, FlyOn, NameIt, PredictIt
from diagnose.practice.drill.scan import Found, Glance, Scan, ScanReview, scan_review
from diagnose.practice.drill.session import Exercise
from diagnose.practice.drill.studio import OPEN, Marked, Option, Studio
from diagnose.render.drill_question import clock, facet_words, option_words, upper
from diagnose.render.lesson import failure_screen
from diagnose.render.plumbing import WIDEST_DRAWN, plumbing_text
from diagnose.render.reasons import plain_lines, strength
from diagnose.render.text import fill, percent, reading_words, table

#: most readings named as telling, and most failures named as not ruled out
MOST_TELLING, MOST_HIDDEN = 2, 4


def feedback(
    exercise: Exercise,
    marked: Marked,
    studio: Studio,
    width: int,
    looked: ScanReview | None = None,
    *,
    met: bool = False,
) -> str:
    """What was right and why: mechanism, readings that tell, why not what was said, source.

    ``met``: the question to predict has just told the mechanism, as it does of a failure that is new.
    """
    lines: Iterable[str]
    match exercise:
        case NameIt():
            lines = _named(
                marked,
                exercise.options,
                exercise.chances,
                exercise.posterior,
                exercise.flown.truth,
                exercise.covered,
                studio,
                width,
            )
        case PredictIt():
            lines = _predicted(exercise, marked, studio, width, met=met)
        case FlyOn():
            lines = _flown(exercise, marked, studio, width)
        case Scan():
            lines = _scanned(exercise, marked, looked, studio, width)
    return "\n".join(lines)


def lesson(exercise: Exercise, studio: Studio, width: int) -> str:
    """The page of what failed, on one screen; nothing failed: what its look-alike would have shown."""
    failure = exercise.flown.truth if isinstance(exercise, NameIt | Scan) else exercise.card.failure
    if failure == SOUND:
        return "Nothing had failed: all readings are what this flight gives with healthy instruments."
    found = signature(studio.engine, failure)
    return failure_screen(studio.kb.failures[failure], found, studio.engine, width)


def _verdict(marked: Marked, right: str) -> str:
    if not marked.counts:
        told = "what you had looked at could not tell yet" if marked.right == OPEN else f"so far {right}"
        return f"Too early to be right or wrong: {told}. Keep looking, or look elsewhere, to learn more."
    if marked.correct:
        text = f"Correct: {right}."
    else:
        said = {OPEN: "you can't tell yet", SOUND: "nothing has failed"}
        text = f"No, {said.get(marked.right, f'it was {right}')}."
    if marked.sure is not None and marked.engine is not None:
        text += f" Score {100.0 * marked.score:.0f} of 100."
    return text


def _by_id(options: Sequence[Option], name: str) -> Option:
    return next(option for option in options if option.id == name)


def _named(
    marked: Marked,
    options: Sequence[Option],
    chances: Sequence[float],
    posterior: Posterior,
    truth: str,
    covered: Sequence[str],
    studio: Studio,
    width: int,
) -> Iterator[str]:
    kb = studio.kb
    right = _by_id(options, marked.right)
    yield fill(_verdict(marked, option_words(right, kb)), width)
    if marked.sure is not None and marked.engine is not None:
        yield fill(
            f"You gave your first choice {percent(marked.sure)}; what was visible gives it {percent(marked.engine)}.",
            width,
        )
    if right.id == OPEN:
        flown = [snapshot.manoeuvre for snapshot in posterior.case.snapshot]
        yield from _open(options, chances, truth, flown, covered, studio, width)
        return
    also = [name for name in right.like if name not in (right.id, SOUND)]
    if right.id != SOUND:
        if also:
            yield fill(
                f"Looks the same here: {', '.join(kb.failures[n].name for n in also[:MOST_HIDDEN])}.", width
            )
        yield from _mechanism(right.id, studio, width)
    elif also:
        yield fill(
            f"Not ruled out, since it would not show here: {', '.join(kb.failures[n].name for n in also[:MOST_HIDDEN])}"
            f"{f' and {len(also) - MOST_HIDDEN} more' if len(also) > MOST_HIDDEN else ''}.",
            width,
        )
        if truth != SOUND:
            yield fill(f"It was there, though: {kb.failures[truth].name}.", width)
    yield from _why(marked, options, chances, posterior, studio, width)


def _why(
    marked: Marked,
    options: Sequence[Option],
    chances: Sequence[float],
    posterior: Posterior,
    studio: Studio,
    width: int,
) -> Iterator[str]:
    """Which readings speak for the right answer, and which against what was said, or the best look-alike."""
    kb, right = studio.kb, marked.right
    one = () if right == SOUND else (right,)
    if one:
        told = telling(posterior, one, (), kb)
        yield fill(f"Why: {told}, compared with no failure.", width)
    if marked.given == OPEN:
        yield fill("You could tell: the readings leave no other answer a fair chance.", width)
    by_chance = sorted(zip(chances, (o.id for o in options), strict=True), reverse=True)
    alike = [name for _, name in by_chance if name not in (right, OPEN, SOUND)]
    other = marked.given if marked.given not in (right, OPEN, "") else (alike or [""])[0]
    if other and (other != SOUND or not one):
        name = kb.failures[other].name if other != SOUND else "no failure"
        told = telling(posterior, one, () if other == SOUND else (other,), kb)
        # names of failures have colons of their own
        yield fill(f"Why not {name}? {upper(told)}.", width)


def telling(posterior: Posterior, right: tuple[str, ...], other: tuple[str, ...], kb: KnowledgeBase) -> str:
    """Name the readings that tell one explanation from another, and how strongly."""
    (contrast,) = contrasts(posterior, right, [other])
    weighed = zip(contrast.weights, statements_of(posterior.case), strict=True)
    best: dict[str, float] = {}
    for weight, statement in weighed:
        if weight > 0.0 and strength(kb, weight):
            words = _with_meaning(kb, statement.name, statement.reading)
            # the same reading in several snapshots is named once
            best[words] = max(best.get(words, 0.0), weight)
    named = sorted(best.items(), key=lambda entry: -entry[1])[:MOST_TELLING]
    if named:
        return " and ".join(f"{words} ({strength(kb, weight)} evidence)" for words, weight in named)
    if not strength(kb, contrast.total):
        return "no reading tells them apart"
    return f"all readings together ({strength(kb, contrast.total)} evidence)"


def _with_meaning(kb: KnowledgeBase, facet: str, reading: str) -> str:
    """A reading in words; what a behavior means as well, for the question showed numbers: "swings 8L/9R"."""
    words = reading_words(kb, facet, reading)
    known = kb.facet(facet)
    means = next((r.means for r in known.readings if r.id == reading), "")
    return f"{words}: {means}" if known.id == "behaviour" and means else words


def _mechanism(failure: str, studio: Studio, width: int) -> Iterator[str]:
    """How the failure works, what it does to the lines where there is a screen to draw on, and who says so."""
    kb = studio.kb
    for line in plain_lines(kb, (failure,)):
        yield fill(line, width)
    if width <= WIDEST_DRAWN:
        drawn = plumbing_text(studio.network, (failure,), width=width, only_concerned=True)
        yield from drawn.splitlines()
    yield fill(_source(failure, kb), width)


def _source(failure: str, kb: KnowledgeBase) -> str:
    """Who says how a failure works."""
    source = kb.failures[failure].source
    document = kb.documents.get(source)
    if document:
        source = ", ".join(filter(None, (document.title, document.publisher, document.edition)))
    return f"Source: {'our own judgement' if source == 'judgement' else source}."


def _open(options: Sequence[Option], chances: Sequence[float], truth: str, flown: Sequence[str], covered: Sequence[str], studio: Studio, width: int) -> Iterator[str]:  # fmt: skip
    """What is left open, and what would part it."""
    kb = studio.kb
    order = sorted(zip(chances, options, strict=True), key=lambda entry: -entry[0])
    left = [(chance, option) for chance, option in order if chance >= studio.number("left_open")]
    yield fill(
        "Still possible: " + "; ".join(f"{option_words(o, kb)} {percent(c)}" for c, o in left) + ".", width
    )
    if len(left) > 1:
        pair = [option.id for _, option in left[:2]]
        # what was flown already has not told, but for what could not be seen: that first, then what is flown
        # elsewhere, in the air or on the ground as now
        phase = kb.manoeuvres[flown[-1]].phase
        looks = [(p, c) for p in compare(studio.engine, pair).partings for c in p.conditions]
        unseen = [
            (parting, condition)
            for parting, condition in looks
            if parting.facet.split(".")[0] in covered
            and condition.manoeuvre == flown[-1]
            and not condition.switches
        ]
        elsewhere = [
            (parting, condition)
            for parting, condition in looks
            if (condition.manoeuvre not in flown or condition.switches)
            and kb.manoeuvres[condition.manoeuvre].phase == phase
        ]
        if unseen or elsewhere:
            parting, condition = (unseen or elsewhere)[0]
            where = kb.manoeuvres[condition.manoeuvre].name
            moved = "".join(f", {kb.switches[s].name} {readable(p)}" for s, p in condition.switches.items())
            shows = " or ".join(readable(s.readings[0][0]) for s in parting.shows)
            yield fill(
                f"What tells the first two apart: the {facet_words(parting.facet, kb)}"
                f"{', not visible here,' if unseen else ''} in '{where}{moved}': {shows}.",
                width,
            )
        else:
            yield fill("No single look on this panel tells the first two apart.", width)
    name = "nothing had failed" if truth == SOUND else f"it was {kb.failures[truth].name}"
    yield fill(f"In fact, {name}.", width)
    if truth != SOUND:
        yield from _mechanism(truth, studio, width)


def _predicted(exercise: PredictIt, marked: Marked, studio: Studio, width: int, *, met: bool) -> Iterator[str]:  # fmt: skip
    kb = studio.kb
    given = dict(part.split("=") for part in marked.given.split())
    hits = sum(given[a.facet] == a.readings[a.right] for a in exercise.asked)
    yield "Correct." if marked.correct else f"{hits} of {len(exercise.asked)} right."
    rows = []
    for number, asked in enumerate(exercise.asked, 1):
        right = asked.readings[asked.right]
        usual = "as in a healthy airplane" if right == asked.usual else f"normally {readable(asked.usual)}"
        you = "" if given[asked.facet] == right else f"; you said {readable(given[asked.facet])}"
        rows.append(
            (
                f"  {number}  {_short(asked.facet.split('.')[0], kb)}",
                f"{readable(right)} (in {percent(asked.chance)} of such flights; {usual}){you}",
            )
        )
    yield table(rows, width)
    if met:
        yield fill(_source(exercise.card.failure, kb), width)
    else:
        yield from _mechanism(exercise.card.failure, studio, width)


def _flown(exercise: FlyOn, marked: Marked, studio: Studio, width: int) -> Iterator[str]:
    kb, card = studio.kb, exercise.card
    given = dict(part.split("=") for part in marked.given.split())
    right = dict(part.split("=") for part in marked.right.split())
    hits = sum(given[what] == right[what] for what in right)
    yield "Correct." if marked.correct else f"{hits} of {len(right)} right."
    trusts = studio.trusts(card.failure, card.manoeuvre)
    advice = {a.axis: a for a in partial_panel(studio.network, card.manoeuvre, trusts)}
    grades = {trust.gauge: trust.grade for trust in trusts}

    def words(gauges: str) -> str:
        return "none" if gauges == "none" else ", ".join(_both(g, kb) for g in gauges.split("+"))

    rows = []
    for choice in exercise.choices:
        text = words(right[choice.what])
        axis = advice.get(choice.what)
        if axis is not None:
            if axis.primary != axis.usual:
                text += f" instead of the {kb.gauges[axis.usual].name}"
            text += f" ({axis.how})" if axis.how else ""
        if given[choice.what] != right[choice.what]:
            why = _why_not(choice.what, given[choice.what], right[choice.what], grades, kb)
            text += f"; you said {words(given[choice.what])}: {why}"
        rows.append((f"  {choice.what}", text))
    yield table(rows, width)
    yield from _mechanism(card.failure, studio, width)


def _why_not(what: str, given: str, right: str, grades: Mapping[str, Grade], kb: KnowledgeBase) -> str:
    """Why a choice of what to cover, or of what to fly an axis on, does not do."""
    if what != COVER:
        misleads = grades.get(given) in (Grade.COVER, Grade.VERIFY)
        return "it can't be trusted here" if misleads else f"it shows no {what} here, or only indirectly"
    chosen, wanted = (set(text.split("+")) - {"none"} for text in (given, right))
    parts = [f"the {_short(g, kb)} misleads" for g in sorted(wanted - chosen)]
    parts += [f"the {_short(g, kb)} is good" for g in sorted(chosen - wanted)]
    return ", ".join(parts)


# ------------------------------------------------------------------ a scan looked back on


def _scanned(exercise: Scan, marked: Marked, looked: ScanReview | None, studio: Studio, width: int) -> Iterator[str]:  # fmt: skip
    kb = studio.kb
    truth = exercise.flown.truth
    name = "nothing failed" if truth == SOUND else kb.failures[truth].name
    chances = exercise.chances()
    early = exercise.onset_s is not None and exercise.second <= exercise.onset_s
    if marked.given == "":
        yield fill(
            f"Time is up and you made no call. It was {name}."
            if truth != SOUND
            else "Time is up and you made no call. Nothing had failed.",
            width,
        )
    else:
        right = _by_id(exercise.options, marked.right)
        yield fill(_verdict(marked, option_words(right, kb)), width)
        place = [option.id for option in exercise.options].index(marked.given)
        if marked.counts and not marked.correct and truth in exercise.options[place].like:
            so = "That was true" if truth == SOUND else "It was there"
            yield fill(
                f"{'It had not even begun' if early else so}, but what you had looked at gave it "
                f"{percent(chances[place])}: a guess.",
                width,
            )
    named = marked.given == "" or marked.right == truth
    yield from _began(exercise, "" if named else name, width, early=early)
    if marked.given != "" and marked.right != OPEN and marked.counts:
        yield from _why(marked, exercise.options, chances, exercise.posterior(), studio, width)
    if looked is not None:
        yield from _gaze(looked, kb, width, sound=truth == SOUND)
    if truth != SOUND:
        yield from _mechanism(truth, studio, width)


def _began(exercise: Scan, name: str, width: int, *, early: bool) -> Iterator[str]:
    """What failed when, and how long before or after that the student ended; nothing if nothing failed.

    ``name``: what failed, "" where that was just told.
    """
    if exercise.onset_s is None:
        return
    at, ended = clock(exercise.onset_s), clock(exercise.second)
    if early:
        lead = clock(exercise.onset_s - exercise.second)
        yield fill(
            f"You answered at {ended}. The failure came later, at {at}, {lead} after your answer: {name}.",
            width,
        )
        return
    since = clock(exercise.second - exercise.onset_s)
    if exercise.onset_s == 0:
        yield fill(f"It was there from the start; you ended at {ended}.", width)
    else:
        yield fill(f"It began at {at}; you ended at {ended}, {since} after it.", width)
    if name:
        yield fill(f"It was {name}.", width)


def aftermath(exercise: Scan, studio: Studio, width: int) -> str:
    """Which looks tell most in a scan's flight, and what it was that failed: the same for every call."""
    kb, truth = studio.kb, exercise.flown.truth
    lines: list[str] = []
    lines += _best_looks(scan_review(replace(exercise, second=0, looks=())), kb, width, sound=truth == SOUND)
    if truth != SOUND:
        lines += _mechanism(truth, studio, width)
    return "\n".join(lines)


def _gaze(looked: ScanReview, kb: KnowledgeBase, width: int, *, sound: bool) -> Iterator[str]:
    def short(gauge: str) -> str:
        return _short(gauge, kb)

    if looked.looks:
        dwell = ", ".join(f"{short(gauge)} {seconds} s" for gauge, seconds in looked.dwell.items())
        yield fill(f"Your looks: {dwell}.", width)
    for found in looked.faults:
        yield fill(_fault(found, short), width)
    if looked.looks and not looked.faults:
        yield "No fixation, omission or emphasis."
    if looked.followed is not None:
        yield f"Looks that followed the pattern: {percent(looked.followed)}."
    yield from _best_looks(looked, kb, width, sound=sound)


def _best_looks(looked: ScanReview, kb: KnowledgeBase, width: int, *, sound: bool) -> Iterator[str]:
    names = _sequence(looked.best, lambda gauge: _short(gauge, kb))
    if looked.best_knew:
        # that nothing fails is never known for good: the sequence goes on for half of the flight
        reached = "kept watching until" if sound else "was sure at"
        yield fill(
            f"The best sequence of looks {reached} {clock(looked.best_s)}, with {len(looked.best)} looks: {names}.",
            width,
        )
    elif looked.best:
        yield fill(f"Even the best sequence of looks could not tell by the end: {names}.", width)


def _short(gauge: str, kb: KnowledgeBase) -> str:
    return kb.gauges[gauge].words[0] if kb.gauges[gauge].words else gauge


def _both(gauge: str, kb: KnowledgeBase) -> str:
    """The whole name of a gauge; where the short one of the question is not in it, after that one."""
    short, name = _short(gauge, kb), kb.gauges[gauge].name
    return name if short in name else f"{short} ({name})"


def _sequence(looks: Sequence[Glance], short: Callable[[str], str]) -> str:
    shown = [f"{short(look.gauge)} {clock(look.second)}" for look in looks]
    if len(shown) > 10:
        shown = [*shown[:5], "...", *shown[-4:]]
    return ", ".join(shown)


def _fault(found: Found, short: Callable[[str], str]) -> str:
    tells = f"the {short(found.instead)} at {clock(found.second)} would have told you more"
    match found.fault:
        case "fixation":
            return (
                f"Fixation: {found.seconds} s on the {short(found.gauge)} without a break; a look at {tells}."
            )
        case "omission":
            never = "did not look again" if found.since else "never looked"
            when = " once it had begun" if found.since else ""
            return f"Omission: you {never} at the {short(found.gauge)}{when}; a look at {tells}."
        case _:
            return f"Emphasis: {percent(found.share)} of your looks went to the {short(found.gauge)}; a look at {tells}."
