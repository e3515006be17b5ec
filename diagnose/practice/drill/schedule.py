"""When a card is asked again: spaced repetition by the FSRS algorithm, and what comes next.

Source: the ``fsrs`` package (Free Spaced Repetition Scheduler, version 6) with its own parameters.
"""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

from diagnose.advice.coverage import SOUND
from diagnose.practice.drill.studio import Card, Marked

#: an answer of another machine may be so much ahead of this clock
AHEAD = timedelta(days=1)
#: no stability is longer: the scheduler's longest interval ten times
LONGEST_DAYS = 365_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A card that was begun: when it is due, the scheduler's own state, right answers in a row, lapses."""

    card: Card
    due: datetime
    state: str
    row: int = 0
    lapses: int = 0


def _scheduler() -> Any:
    from fsrs import Scheduler

    # without fuzz the same answers give the same schedule
    return Scheduler(enable_fuzzing=False)


def begun(card: Card, now: datetime) -> Held:
    """Begin a card: it is due at once."""
    from fsrs import Card as Kept

    return Held(card=card, due=now, state=json.dumps(Kept(card_id=1, due=now).to_dict()))


def check_state(state: str) -> None:
    """Refuse a scheduler's state that it could not go on from. Raises ValueError."""
    from fsrs import Card as Kept

    try:
        card = Kept.from_dict(json.loads(state))
    except (KeyError, TypeError, AttributeError, RecursionError) as error:
        raise ValueError(f"the state of a card cannot be read ({error})") from None
    for value, low, high in (
        (card.stability, 0.0, LONGEST_DAYS),
        (card.difficulty, 0.0, 10.0),
        (card.step, 0, 100),
    ):
        if value is not None and not (isinstance(value, int | float) and low <= value <= high):
            raise ValueError("the state of a card holds a number that none has")
    for at in (card.due, card.last_review):
        if at is not None and (at.tzinfo is None or not 2000 <= at.year <= 2200):
            raise ValueError("the state of a card holds a time that none has")


def reviewed_at(state: str) -> datetime:
    """When a card was answered last; long ago if never."""
    said = json.loads(state).get("last_review")
    return datetime.fromisoformat(said) if said else datetime(1, 1, 1, tzinfo=UTC)


def by_this_clock(held: Held, now: datetime) -> Held:
    """Give a card as it stands now. One answered later than now was kept under a clock that was ahead: due at once."""
    if reviewed_at(held.state) - now <= AHEAD:
        return held
    state = json.loads(held.state) | {"last_review": now.isoformat(), "due": now.isoformat()}
    return replace(held, due=min(held.due, now), state=json.dumps(state))


def reschedule(
    held: Held, marked: Marked, seconds: float, now: datetime, quick_s: float, slow_s: float
) -> Held:
    """Give the card after an answer; ``seconds`` is what the answer took.

    An answer that does not count teaches the schedule nothing: the card is asked again soon.
    """
    if not marked.counts:
        return soon(held, now)
    from fsrs import Card as Kept
    from fsrs import Rating

    if not marked.correct:
        rating = Rating.Again
    elif seconds > slow_s or marked.score < 0.75:
        rating = Rating.Hard
    else:
        rating = Rating.Easy if seconds <= quick_s else Rating.Good
    card = Kept.from_dict(json.loads(held.state))
    # an answer read from a file may be older than the last one given here
    when = max(now, card.last_review) if card.last_review else now
    kept, _ = _scheduler().review_card(card, rating, when)
    return replace(
        held,
        due=kept.due,
        state=json.dumps(kept.to_dict()),
        row=held.row + 1 if marked.correct else 0,
        lapses=held.lapses + (not marked.correct),
    )


def soon(held: Held, now: datetime) -> Held:
    """Give a card that is asked soon, whatever its schedule: what was taken for it is to be kept apart."""
    return replace(held, due=min(held.due, now))


def candidates(
    order: Sequence[Card],
    held: Mapping[Card, Held],
    now: datetime,
    *,
    new_left: int,
    sound_wanted: bool,
    new_wanted: bool,
    recent: Collection[str],
    unfit: Collection[Card],
    together: Collection[str] = (),
) -> Iterator[Card]:
    """Give cards in the order in which they should be asked; whoever cannot make one takes the next.

    ``order``: all cards as they are begun; ``new_left``: how many may still be begun; ``sound_wanted``:
    it is time for a healthy airplane; ``new_wanted``: for something new, whatever is due; ``recent``: the failures of the last exercises, which wait their turn
    however often they were missed, so that a session is not spent on two or three;
    ``together``: failures that were taken for each other and are asked before others that are due.
    """
    known = [held[card] for card in order if card in held and card not in unfit]
    fresh = [card for card in order if card not in held and card not in unfit]
    due = sorted((h for h in known if h.due <= now), key=lambda h: (h.card.failure not in together, h.due))
    waiting: deque[Card] = deque()
    if sound_wanted:
        yield from (h.card for h in due if h.card.failure == SOUND)
        yield from (card for card in fresh if card.failure == SOUND)
        yield from (h.card for h in sorted(known, key=lambda h: h.due) if h.card.failure == SOUND)
    if new_wanted and new_left > 0:
        # another maneuver of a failure that is being missed is no relief from it
        met = {card.failure for card in held}
        anew = sorted(fresh, key=lambda card: card.failure in met)
        yield from (card for card in anew if card.failure not in recent)
    for h in due:
        if h.card.failure in recent:
            waiting.append(h.card)
        else:
            yield h.card
    if new_left > 0:
        yield from (card for card in fresh if card.failure not in recent)
    yield from waiting
    # nothing is due and enough is new: what is due next is asked ahead of its time
    ahead = sorted((h for h in known if h.due > now), key=lambda h: h.due)
    yield from (h.card for h in ahead if h.card.failure not in recent)
    yield from fresh
    yield from (h.card for h in known)
